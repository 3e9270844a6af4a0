package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"dewline/store"
)

func repairCommand() *cobra.Command {
	c := &cobra.Command{Use: "repair --from DAMAGED --to FILE", Short: "save what can be read of a damaged record", Args: words(0)}
	var by string
	addBy(c.Flags(), &by)
	from := c.Flags().String("from", "", "the file, such as `DAMAGED` that was set aside")
	to := c.Flags().String("to", "", "the new `FILE`")
	return does(c, func(ctx context.Context, _ []string, std stdio) error { return runRepair(ctx, *from, *to, by, std) })
}

func runRepair(ctx context.Context, from, to, by string, std stdio) error {
	if from == "" || to == "" {
		return usagef("name the damaged file with --from and the new one with --to")
	}
	r, err := store.Repair(ctx, from, to, by)
	switch {
	case errors.Is(err, store.ErrLocked):
		return fmt.Errorf("%w: dewline is writing to it; stop dewline first", err)
	case errors.Is(err, store.ErrNothing):
		return fmt.Errorf("%w: is it a record of dewline? Nothing was written", err)
	case err != nil:
		return advised(err, to, namesFile)
	}
	tellRepair(std.out, to, r)
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
