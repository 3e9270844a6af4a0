package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

func runCommand() *cobra.Command {
	c := &cobra.Command{Use: "run", Short: "watch a room", Args: words(0)}
	path := roomFlag(c)
	dir, control := addDaemonFlags(c.Flags())
	verbose := c.Flags().Bool("verbose", false, "log every alarm transition")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runRun(ctx, *path, *dir, *control, newLogger(std, *verbose))
	})
}

func addDaemonFlags(fs *pflag.FlagSet) (dir, control *string) {
	dir = fs.String("data", os.Getenv("STATE_DIRECTORY"), "data `DIR`; default $STATE_DIRECTORY, then store.dir")
	control = fs.String("control", "", "`PATH` of the control socket; default control.sock in $RUNTIME_DIRECTORY or the data directory")
	return dir, control
}

func runRun(ctx context.Context, path, dir, control string, log *slog.Logger) error {
	tightenMemory()
	own, err := mappedProgram()
	if err = errors.Join(err, own.drop()); err != nil {
		log.Debug("the program stays in memory", "err", err)
	}
	cfg, using, refused, err := loadOrLastGood(path, dir, log)
	if err != nil {
		return err
	}
	dir = cmp.Or(dir, cfg.Store.Dir)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		log.Error("the data directory cannot be made; watching and warning go on without a record", "dir", dir, "err", err)
	}
	if using == path {
		daemon.KeepLastGood(cfg, path, dir, log)
	}
	d, err := daemon.New(daemon.Options{
		Config: cfg, ConfigPath: path, ConfigRefused: refused, Dir: dir, Log: log, Version: version,
		ControlPath: controlPath(control, dir),
		Source: func(cfg *configs.Config, now func() sensors.Instant, ageing map[sensors.ProbeID]sensors.Ageing) (daemon.Source, error) {
			return daemon.NewRealProbes(cfg, now, ageing, log)
		},
	})
	if err != nil {
		return err
	}
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	stopped := make(chan struct{})
	defer close(stopped)
	go attend(d, own, hangup, stopped, log)
	return d.Run(ctx)
}

// attend reloads at a signal, and hands back what only starting needed, and then what
// only an hour's work or a page did, until stopped is closed.
func attend(d *daemon.Daemon, own ownPages, hangup <-chan os.Signal, stopped <-chan struct{}, log *slog.Logger) {
	unused := time.NewTimer(startingTakes)
	defer unused.Stop()
	for {
		select {
		case <-hangup:
			d.Reload()
		case <-unused.C:
			debug.FreeOSMemory() // of a summary, or of a page of a year
			if err := own.drop(); err != nil {
				log.Debug("memory that is needed rarely stays in use", "err", err)
				continue
			}
			log.Debug("memory that is needed rarely was handed back")
			unused.Reset(handBackEvery)
		case <-stopped:
			return
		}
	}
}

// newLogger writes text on standard error, which the service manager stamps.
func newLogger(std stdio, verbose bool) *slog.Logger {
	level := slog.LevelInfo
	if verbose {
		level = slog.LevelDebug
	}
	return slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: level}))
}

// loadOrLastGood reads the configuration. Where it has faults, the copy of the
// one that was last in force is used and the faults are returned as refused:
// a typing mistake must not end the watch at the next power cut. Nor must a fault
// that was none when the configuration came in force: without a copy, the file
// itself is used where a room can be watched with it. using is the file that is used.
func loadOrLastGood(path, dir string, log *slog.Logger) (cfg *configs.Config, using, refused string, err error) {
	cfg, faults, err := loadWatchable(path)
	if err == nil && len(faults) == 0 {
		return cfg, path, "", nil
	}
	if err != nil {
		refused = err.Error()
	} else {
		refused = faults.Error()
	}
	if dir == "" {
		dir = storeDir(path)
	}
	last := filepath.Join(dir, daemon.LastGoodName)
	kept, _, keptErr := loadWatchable(last)
	switch {
	case keptErr == nil:
		log.Error("the configuration has faults; the last good one is in force", "file", path, "faults", refused, "using", last)
		return kept, last, refused, nil
	case err == nil:
		log.Error("the configuration has faults that dewline check refuses; it is in force all the same", "file", path, "faults", refused)
		return cfg, path, refused, nil
	case errors.Is(keptErr, fs.ErrNotExist):
		return nil, "", "", configError{err}
	}
	return nil, "", "", configError{fmt.Errorf("%w\nand the copy of the last good configuration cannot be used: %w", err, keptErr)}
}

// loadWatchable also returns the faults that keep nobody from watching.
func loadWatchable(path string) (*configs.Config, configs.Faults, error) {
	cfg, faults, err := table.LoadInForce(path)
	if err != nil {
		return nil, nil, err
	}
	if err := daemon.Watchable(cfg); err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return cfg, faults, nil
}

// storeDir reads it out of a configuration that may be broken anywhere else; no other
// section has such a key.
func storeDir(path string) string {
	text, _ := os.ReadFile(path) // gone: then only the usual place is left
	if found := regexp.MustCompile(`(?m)^\s*dir\s*=\s*["'](/[^"'\n]*)["']`).FindSubmatch(text); found != nil {
		return string(found[1])
	}
	return "/var/lib/dewline"
}
