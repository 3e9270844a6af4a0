package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/spf13/pflag"

	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// answering has f ask the running daemon or, where none runs, what answers from its record
// as that would.
func (c *control) answering(ctx context.Context, std stdio, f func(*control) error) error {
	if c.running() {
		return f(c)
	}
	cfg, dir, err := c.inForce()
	if err != nil {
		return err
	}
	return withRecord(ctx, store.Options{Dir: dir, Limits: core.LimitsOf(cfg)}, func(st *store.Store) error {
		tmp, err := os.MkdirTemp("", "dewline-")
		if err != nil {
			return fmt.Errorf("make a place for a socket: %w", err)
		}
		defer os.RemoveAll(tmp)
		socket := filepath.Join(tmp, "control.sock")
		end, err := daemon.ServeRecord(cfg, st, socket, slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: slog.LevelWarn})))
		if err != nil {
			return err
		}
		defer end()
		return f(&control{socket: socket, by: c.by, patient: true})
	})
}

// inForce finds the configuration and the data directory. Without --config the copy that
// the daemon keeps beside its record is used, so that what is asked of a copied directory
// needs nothing else.
func (c *control) inForce() (*configs.Config, string, error) {
	cfg, _, err := table.LoadInForce(c.config)
	if err == nil {
		return cfg, cmp.Or(c.dir, cfg.Store.Dir), nil
	}
	if c.dir != "" && errors.Is(err, os.ErrNotExist) {
		if kept, _, keptErr := table.LoadInForce(filepath.Join(c.dir, daemon.LastGoodName)); keptErr == nil {
			return kept, c.dir, nil
		}
	}
	switch {
	case c.dir == "":
		return nil, "", usagef("name the data directory with --data DIR, or a configuration without faults: %w", err)
	case c.room:
		return nil, "", usagef("the room's configuration is needed: %w", err)
	}
	return new(configs.Config), c.dir, nil
}

// withRecord opens a record for reading while f is at work.
func withRecord(ctx context.Context, o store.Options, f func(*store.Store) error) error {
	o.ReadOnly = true
	st, _, err := store.Open(ctx, o)
	if err != nil {
		return advised(err, filepath.Join(o.Dir, store.FileName), namesData)
	}
	defer func() { _ = st.Close(context.WithoutCancel(ctx)) }()
	return f(st)
}

// What to do where something is missing.
const (
	namesData = "name the data directory with --data, or the configuration with --config"
	namesFile = "look at the path: a folder or a file in it is not there"
)

// advised adds what to do; missing is that where there is no such file.
func advised(err error, path, missing string) error {
	do := ""
	switch {
	case errors.Is(err, store.ErrLocked):
		do = "stop dewline first; if it should answer itself, name its socket with --control"
	case store.IsDamage(err):
		do = fmt.Sprintf("dewline repair --from %s --to NEW saves what is whole", path)
	case errors.Is(err, fs.ErrNotExist):
		do = missing
	case errors.Is(err, fs.ErrPermission):
		do = "run it as root, or as who dewline runs as"
	case errors.Is(err, syscall.EROFS):
		do = "what is there can be read but not written: mount it for writing, or name another place"
	case errors.Is(err, syscall.ENOSPC):
		do = "the disk is full: make room, or name another place"
	default:
		return err
	}
	return fmt.Errorf("%w; %s", err, do)
}

// dataDir returns the data directory that the flags or the configuration name.
func (c *control) dataDir() (string, error) {
	if c.dir != "" {
		return c.dir, nil
	}
	_, dir, err := c.inForce()
	return dir, err
}

// stoppedDir returns the data directory of a daemon that is not running.
func (c *control) stoppedDir() (string, error) {
	if c.running() {
		return "", errors.New("dewline is running: stop it first")
	}
	return c.dataDir()
}

// noteInRecord writes into the journal of a record that no daemon has open.
func noteInRecord(ctx context.Context, dir, by string, what event.Record) error {
	st, report, err := store.Open(ctx, store.Options{Dir: dir})
	if err != nil {
		return err
	}
	e := event.New(sensors.Instant{Mono: report.LastMono, Wall: time.Now()}, what)
	e.By = by
	err = st.Commit(store.Commit{Journal: []event.Event{e}})
	return errors.Join(err, st.Close(context.WithoutCancel(ctx)))
}

// handOver gives a file of root's to who owns the folder: dewline does not run as root.
func handOver(path string) {
	var folder syscall.Stat_t
	if os.Geteuid() == 0 && syscall.Stat(filepath.Dir(path), &folder) == nil {
		_ = os.Chown(path, int(folder.Uid), int(folder.Gid))
	}
}

type spanFlags struct {
	from, to *string
	usual    time.Duration
}

func addSpanFlags(fs *pflag.FlagSet, usual time.Duration, words string) spanFlags {
	return spanFlags{
		from:  fs.String("from", "", "start `TIME`, such as 2026-05-01 or 2026-05-01T08:00:00Z, in UTC unless it says otherwise (default "+words+" before the end)"),
		to:    fs.String("to", "", "end `TIME`, not included (default now)"),
		usual: usual,
	}
}

func (s spanFlags) times() (from, to time.Time, err error) {
	to = time.Now()
	if *s.to != "" {
		if to, err = parseTime(*s.to, time.UTC); err != nil {
			return from, to, usagef("--to: %w", err)
		}
	}
	from = to.Add(-s.usual)
	if *s.from != "" {
		if from, err = parseTime(*s.from, time.UTC); err != nil {
			return from, to, usagef("--from: %w", err)
		}
	}
	if !from.Before(to) {
		return from, to, usagef("--from must lie before --to")
	}
	return from, to, nil
}

// parseTime reads a moment; one that does not say, and a day's first, is by the clock of loc.
func parseTime(s string, loc *time.Location) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04", time.DateOnly} {
		if t, err := time.ParseInLocation(layout, s, loc); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time: write 2026-05-01 or 2026-05-01T08:00:00Z", s)
}
