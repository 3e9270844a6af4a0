package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"dewline/store"
)

// backup copies the running daemon's record to file.
func (c *control) backup(ctx context.Context, file string) error {
	resp, err := c.stream(ctx, "backup")
	if err != nil {
		return fmt.Errorf("the running dewline could not make a copy: %w", err)
	}
	defer resp.Body.Close()
	tmp := file + ".new"
	f, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("make the copy: %w", err)
	}
	_, err = io.Copy(f, resp.Body)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = store.Verify(ctx, tmp)
	}
	if err == nil {
		err = os.Rename(tmp, file)
	}
	if err == nil {
		err = syncFolder(filepath.Dir(file))
	}
	if err != nil {
		_ = os.Remove(tmp)
		return fmt.Errorf("write the copy %s: %w", file, err)
	}
	return nil
}

// syncFolder waits until the names in a folder are on the disk.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// runBackup copies the record, running or not, and checks the copy.
func runBackup(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("backup", "--to FILE", std)
	cf := addLookFlags(fs)
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
	if ctl := cf.running(ctx); ctl != nil {
		if err := ctl.backup(ctx, *to); err != nil {
			return advised(err, *to, namesFile)
		}
	} else if err := backupStopped(ctx, cf, *to); err != nil {
		return err
	}
	fi, err := os.Stat(*to)
	if err != nil {
		return fmt.Errorf("look at the copy: %w", err)
	}
	fmt.Fprintf(std.out, "%s: copied and checked, %.1f MB; dewline restore --from %s puts it back\n", *to, float64(fi.Size())/1e6, *to)
	return nil
}

func backupStopped(ctx context.Context, cf controlFlags, to string) error {
	dir, err := dataDir(cf)
	if err != nil {
		return err
	}
	rec, err := openDir(ctx, dir)
	if err != nil {
		return err
	}
	defer rec.close()
	if err := rec.Backup(ctx, to); err != nil {
		return advised(err, filepath.Join(dir, store.FileName), namesFile)
	}
	return nil
}

// runRestore puts a copy back as the record of a daemon that is not running.
func runRestore(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("restore", "--from FILE", std)
	cf := addControlFlags(fs)
	from := fs.String("from", "", "the `FILE` that dewline backup or repair made")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *from == "" {
		return usageError{"dewline restore: name the copy with --from FILE"}
	}
	dir, err := stoppedDir(ctx, cf)
	if err != nil {
		return err
	}
	aside, err := store.Restore(ctx, *from, dir)
	if errors.Is(err, store.ErrLocked) {
		return fmt.Errorf("%w: stop dewline first", err)
	}
	if err != nil {
		return advised(err, *from, namesFile)
	}
	record := filepath.Join(dir, store.FileName)
	handOver(record)
	if err := noteInRecord(ctx, dir, store.JournalEntry{Kind: "restore", Who: *cf.by, Old: aside, New: *from}); err != nil {
		return fmt.Errorf("the copy is the record now, but its journal cannot be written: %w", err)
	}
	fmt.Fprintf(std.out, "%s: a checked copy of %s, with its calibrations, notes and open alarms\n", record, *from)
	if aside != "" {
		fmt.Fprintf(std.out, "the record of before is %s; what is only there is not in the record any more\n", aside)
	}
	return nil
}

// runRepair saves what can be read of a damaged record into a new one.
func runRepair(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("repair", "--from DAMAGED --to FILE", std)
	by := fs.String("by", login(), "who acts, for the journal")
	from := fs.String("from", "", "the damaged file, such as `DAMAGED` that was set aside")
	to := fs.String("to", "", "the new `FILE`")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *from == "" || *to == "" {
		return usageError{"dewline repair: name the damaged file with --from and the new one with --to"}
	}
	r, err := store.Repair(ctx, *from, *to, *by)
	switch {
	case errors.Is(err, store.ErrLocked):
		return fmt.Errorf("%w: dewline is writing to it; stop dewline first", err)
	case errors.Is(err, store.ErrNothing):
		return fmt.Errorf("%w: is it a record of dewline? Nothing was written", err)
	case err != nil:
		return advised(err, *to, namesFile)
	}
	tellRepair(std.out, *to, r)
	if r.Incomplete {
		return errors.New("stopped before all was read")
	}
	return nil
}

func tellRepair(w io.Writer, to string, r store.RepairReport) {
	fmt.Fprintf(w, "%s: saved\n", to)
	if r.Readings > 0 {
		fmt.Fprintf(w, "  %d readings, %s to %s\n", r.Readings, minute(r.From), minute(r.To))
	} else {
		fmt.Fprintln(w, "  no readings")
	}
	if r.Tables > 0 {
		fmt.Fprintf(w, "  sums by ten minutes and by hour, in %d parts\n", r.Tables)
	}
	fmt.Fprintf(w, "  %d documents: alarms, notices, calibrations, notes and the like\n", r.Docs)
	fmt.Fprintf(w, "  %d journal lines\n", r.Journal)
	if r.Damaged == 0 {
		fmt.Fprintln(w, "nothing was damaged")
	} else {
		fmt.Fprintf(w, "given up, %d pages or entries:\n", r.Damaged)
		for _, reason := range r.DamagedReasons {
			fmt.Fprintf(w, "  %s\n", reason)
		}
		if more := r.Damaged - len(r.DamagedReasons); more > 0 {
			fmt.Fprintf(w, "  and %d more\n", more)
		}
	}
	fmt.Fprintf(w, "dewline restore --from %s makes it the record\n", to)
}
