package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"dewline/rules/event"
	"dewline/store"
)

func restoreCommand() *cobra.Command {
	c := &cobra.Command{Use: "restore --from FILE", Short: "put a copy back as the record", Args: words(0)}
	ctl := addControl(c.Flags())
	from := c.Flags().String("from", "", "the `FILE` that dewline backup or repair made")
	return does(c, func(ctx context.Context, _ []string, std stdio) error { return runRestore(ctx, ctl, *from, std) })
}

func runRestore(ctx context.Context, ctl *control, from string, std stdio) error {
	if from == "" {
		return usagef("name the copy with --from FILE")
	}
	dir, err := ctl.stoppedDir()
	if err != nil {
		return err
	}
	aside, err := store.Restore(ctx, from, dir)
	if errors.Is(err, store.ErrLocked) {
		return fmt.Errorf("%w: stop dewline first", err)
	}
	if err != nil {
		return advised(err, from, namesFile)
	}
	record := filepath.Join(dir, store.FileName)
	handOver(record)
	if err := noteInRecord(ctx, dir, ctl.by, event.Record{Act: "restore", Was: aside, What: from}); err != nil {
		return fmt.Errorf("the copy is the record now, but its journal cannot be written: %w", err)
	}
	fmt.Fprintf(std.out, "%s: a checked copy of %s, with its calibrations, notes and open alarms\n", record, from)
	if aside != "" {
		fmt.Fprintf(std.out, "the previous record is kept as %s; what is only there is not in the record any more\n", aside)
	}
	return nil
}
