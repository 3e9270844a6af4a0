package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"dewline/alert/wire"
	"dewline/cmd/dewline/web"
)

func journalCommand() *cobra.Command {
	c := &cobra.Command{Use: "journal", Short: "print who did what, or check that nothing was changed", Args: words(0)}
	cf := addLookFlags(c.Flags())
	span := addSpanFlags(c.Flags(), 7*24*time.Hour, "a week")
	all := c.Flags().Bool("all", false, "what was measured too: mists, dry-downs, nights and doses")
	verify := c.Flags().Bool("verify", false, "check that no line was changed or removed, in all of the journal")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runJournal(ctx, cf, span, *all, *verify, std)
	})
}

func runJournal(ctx context.Context, cf controlFlags, span spanFlags, all, verify bool, std stdio) error {
	from, to, err := span.times()
	if err != nil {
		return err
	}
	j, done, err := openJournal(ctx, cf)
	if err != nil {
		return err
	}
	defer done()
	if verify {
		return verifyJournal(ctx, j, std.out)
	}
	lines, faults := 0, 0
	err = j.journalLines(ctx, from, to, all, func(l wire.JournalEntry) error {
		lines++
		if l.Fault != "" {
			faults++
			_, err := fmt.Fprintf(std.out, "     ?  %s\n", l.Fault)
			return err
		}
		_, err := fmt.Fprintln(std.out, journalLine(l))
		return err
	})
	switch {
	case err != nil:
		return fmt.Errorf("read the journal: %w", err)
	case faults > 0:
		return fmt.Errorf("%d lines were changed or damaged; those shown are as they were written", faults)
	case lines == 0:
		fmt.Fprintf(std.err, "no lines from %s to %s\n", minute(from), minute(to))
	}
	return nil
}

// journalLine is an entry as it is printed: number, time, what, who, about what,
// the old value and the new one, and why.
func journalLine(e wire.JournalEntry) string {
	change := e.New
	if e.Old != "" {
		change = e.Old + " → " + e.New
	}
	if e.Why != "" {
		change += " (" + e.Why + ")"
	}
	line := fmt.Sprintf("%6d  %s  %-13s %-12s %-40s %s", e.Number, e.Time.UTC().Format("2006-01-02 15:04:05Z"), e.Kind, e.Who, e.Subject, change)
	return strings.TrimRight(line, " ")
}

func verifyJournal(ctx context.Context, j journalReader, w io.Writer) error {
	c, err := j.journalCheck(ctx)
	if err != nil {
		return fmt.Errorf("check the journal: %w", err)
	}
	if c.Fault != "" {
		return fmt.Errorf("%s; the %d lines before that are as they were written. A backup of before tells what stood there", c.Fault, c.Entries)
	}
	fmt.Fprintf(w, "%d lines, unbroken\n", c.Entries)
	return nil
}

// A journalReader is the journal of a running daemon or of a record.
type journalReader interface {
	journalLines(ctx context.Context, from, to time.Time, all bool, write func(wire.JournalEntry) error) error
	journalCheck(ctx context.Context) (web.JournalCheck, error)
}

func openJournal(ctx context.Context, cf controlFlags) (j journalReader, done func(), err error) {
	if ctl := cf.running(ctx); ctl != nil {
		return ctl, func() {}, nil
	}
	rec, err := openForReading(ctx, cf)
	if err != nil {
		return nil, nil, err
	}
	return rec, rec.close, nil
}

func (r openedRecord) journalLines(_ context.Context, from, to time.Time, all bool, write func(wire.JournalEntry) error) error {
	return web.JournalLines(r.Store, from, to, all, write)
}

func (r openedRecord) journalCheck(context.Context) (web.JournalCheck, error) {
	return web.CheckJournal(r.Store), nil
}

func (c *control) journalCheck(ctx context.Context) (check web.JournalCheck, err error) {
	err = c.get(ctx, "journal/check", &check)
	return check, err
}

// journalLines hands on the lines that the running daemon streams.
func (c *control) journalLines(ctx context.Context, from, to time.Time, all bool, write func(wire.JournalEntry) error) error {
	resp, err := c.stream(ctx, "journal/lines?"+url.Values{"from": {stamp(from)}, "to": {stamp(to)}, "all": {strconv.FormatBool(all)}}.Encode())
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	dec := json.NewDecoder(resp.Body)
	for {
		var l wire.JournalEntry
		if err := dec.Decode(&l); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
		if err := write(l); err != nil {
			return err
		}
	}
}
