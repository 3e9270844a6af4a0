package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"dewline/configs"
	"dewline/store"
)

// openedRecord is a record open for reading, and what to undo afterwards.
type openedRecord struct {
	*store.Store
	close func()
}

// openForReading opens the record of a running daemon as a copy, or else the
// file itself, without writing to it.
func openForReading(ctx context.Context, cf controlFlags) (openedRecord, error) {
	if ctl, err := cf.dial(); err == nil {
		dir, err := os.MkdirTemp("", "dewline-record-")
		if err != nil {
			return openedRecord{}, fmt.Errorf("make a place for a copy of the record: %w", err)
		}
		if err := ctl.backup(ctx, filepath.Join(dir, store.FileName)); err != nil {
			_ = os.RemoveAll(dir)
			return openedRecord{}, err
		}
		rec, err := openDir(ctx, dir)
		if err != nil {
			_ = os.RemoveAll(dir)
			return openedRecord{}, err
		}
		closeCopy := rec.close
		rec.close = func() { closeCopy(); _ = os.RemoveAll(dir) }
		return rec, nil
	}
	dir, err := dataDir(cf)
	if err != nil {
		return openedRecord{}, err
	}
	return openDir(ctx, dir)
}

func openDir(ctx context.Context, dir string) (openedRecord, error) {
	st, _, err := store.Open(ctx, store.Options{Dir: dir, ReadOnly: true})
	if err != nil {
		return openedRecord{}, fmt.Errorf("open the record in %s: %w", dir, err)
	}
	return openedRecord{Store: st, close: func() { _ = st.Close(context.WithoutCancel(ctx)) }}, nil
}

// dataDir returns the data directory that the flags or the configuration name.
func dataDir(cf controlFlags) (string, error) {
	if *cf.dir != "" {
		return *cf.dir, nil
	}
	cfg, err := configs.Load(*cf.config)
	if err != nil {
		return "", usageError{fmt.Sprintf("name the data directory with --data DIR, or a configuration without faults: %v", err)}
	}
	return cfg.Store.Dir, nil
}

// backup copies the running daemon's record to file, which must not exist.
func (c *control) backup(ctx context.Context, file string) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://dewline/api/v1/backup", nil)
	if err != nil {
		return fmt.Errorf("make the request: %w", err)
	}
	client := *c.client
	client.Timeout = 0 // a large record takes its time
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("ask the running dewline for a copy: %w", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		b, _ := io.ReadAll(io.LimitReader(resp.Body, 4<<10))
		return fmt.Errorf("the running dewline refused a copy: %s", b)
	}
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return fmt.Errorf("make %s: %w", file, err)
	}
	_, err = io.Copy(f, resp.Body)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		_ = os.Remove(file)
		return fmt.Errorf("write %s: %w", file, err)
	}
	return nil
}

// runBackup copies the record, running or not, and checks the copy.
func runBackup(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("backup", "--to FILE", std)
	cf := addControlFlags(fs)
	to := fs.String("to", "", "the new `FILE`")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *to == "" {
		return usageError{"dewline backup: name the new file with --to FILE"}
	}
	if _, err := os.Lstat(*to); err == nil {
		return fmt.Errorf("%s exists: name a new file", *to)
	}
	if ctl, err := cf.dial(); err == nil {
		if err := ctl.backup(ctx, *to); err != nil {
			return err
		}
	} else {
		dir, err := dataDir(cf)
		if err != nil {
			return err
		}
		rec, err := openDir(ctx, dir)
		if err != nil {
			return err
		}
		defer rec.close()
		if err := rec.Backup(ctx, *to); err != nil {
			return fmt.Errorf("copy the record: %w", err)
		}
	}
	if err := store.Verify(ctx, *to); err != nil {
		return fmt.Errorf("the copy %s is not sound: %w", *to, err)
	}
	fmt.Fprintf(std.out, "%s: copied and checked\n", *to)
	return nil
}

// runRestore puts a copy back as the record of a daemon that is not running.
func runRestore(_ context.Context, args []string, std stdio) error {
	fs := newFlags("restore", "--from FILE", std)
	cf := addControlFlags(fs)
	from := fs.String("from", "", "the copy that dewline backup made")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	dir, err := stoppedDir(cf)
	if err != nil {
		return err
	}
	if *from == "" {
		return usageError{"dewline restore: name the copy with --from FILE"}
	}
	if err := store.Restore(*from, dir); err != nil {
		return fmt.Errorf("restore %s: %w", *from, err)
	}
	fmt.Fprintf(std.out, "%s is the record in %s now\n", *from, dir)
	return nil
}

// stoppedDir returns the data directory of a daemon that is not running.
func stoppedDir(cf controlFlags) (string, error) {
	if ctl, err := cf.dial(); err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), connectWithin)
		defer cancel()
		if ctl.get(ctx, "kpi", nil) == nil {
			return "", errors.New("dewline is running: stop it first")
		}
	}
	return dataDir(cf)
}

// runRepair saves what can be read of a damaged record into a new one.
func runRepair(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("repair", "--from DAMAGED --to FILE", std)
	from := fs.String("from", "", "the damaged `FILE`, such as one that was set aside")
	to := fs.String("to", "", "the new `FILE`")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *from == "" || *to == "" {
		return usageError{"dewline repair: name the damaged file with --from and the new one with --to"}
	}
	r, err := store.Repair(ctx, *from, *to)
	if err != nil {
		return fmt.Errorf("repair %s: %w", *from, err)
	}
	fmt.Fprintf(std.out, "%s: saved %d bundles of readings and %d of sums, %d documents and %d journal lines; gave up %d pages or entries\n",
		*to, r.Bundles, r.Tables, r.Docs, r.Journal, r.Damaged)
	for _, reason := range r.DamagedReasons {
		fmt.Fprintf(std.out, "  %s\n", reason)
	}
	if r.Incomplete {
		return errors.New("not everything could be saved")
	}
	return nil
}

// runJournal prints who did what.
func runJournal(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("journal", "[--from TIME] [--to TIME] [--verify]", std)
	cf := addControlFlags(fs)
	span := addSpanFlags(fs, 7*24*time.Hour)
	verify := fs.Bool("verify", false, "check that no line was changed or removed")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	from, to, err := span.times()
	if err != nil {
		return err
	}
	rec, err := openForReading(ctx, cf)
	if err != nil {
		return err
	}
	defer rec.close()
	if *verify {
		n, err := rec.VerifyJournal()
		if err != nil {
			return fmt.Errorf("the journal was changed or damaged: %w", err)
		}
		fmt.Fprintf(std.out, "%d lines, unbroken\n", n)
		return nil
	}
	for e, err := range rec.Journal(from, to) {
		if err != nil {
			return fmt.Errorf("read the journal: %w", err)
		}
		fmt.Fprintf(std.out, "%6d  %s  %-12s %-12s %-40s %s → %s %s\n", e.Seq, e.At.Wall.Format("2006-01-02 15:04:05"),
			e.Kind, e.Who, e.Subject, e.Old, e.New, e.Why)
	}
	return nil
}

// spanFlags are the flags of a span of time.
type spanFlags struct {
	from, to *string
	usual    time.Duration
}

func addSpanFlags(fs *flag.FlagSet, usual time.Duration) spanFlags {
	return spanFlags{
		from:  fs.String("from", "", "start, such as 2026-05-01 or 2026-05-01T08:00:00Z"),
		to:    fs.String("to", "", "end, not included; default now"),
		usual: usual,
	}
}

func (s spanFlags) times() (from, to time.Time, err error) {
	to = time.Now()
	if *s.to != "" {
		if to, err = parseTime(*s.to); err != nil {
			return from, to, usageError{"--to: " + err.Error()}
		}
	}
	from = to.Add(-s.usual)
	if *s.from != "" {
		if from, err = parseTime(*s.from); err != nil {
			return from, to, usageError{"--from: " + err.Error()}
		}
	}
	if !from.Before(to) {
		return from, to, usageError{"--from must lie before --to"}
	}
	return from, to, nil
}

func parseTime(s string) (time.Time, error) {
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04", time.DateOnly} {
		if t, err := time.Parse(layout, s); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time: write 2026-05-01 or 2026-05-01T08:00:00Z", s)
}
