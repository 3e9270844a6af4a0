package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
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
	ctl := addLook(c.Flags())
	span := addSpanFlags(c.Flags(), 7*24*time.Hour, "a week")
	all := c.Flags().Bool("all", false, "what was measured too: mists, dry-downs, nights and doses")
	verify := c.Flags().Bool("verify", false, "check that no line was changed or removed, in all of the journal")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		from, to, err := span.times()
		if err != nil {
			return err
		}
		return ctl.answering(ctx, std, func(ctl *control) error {
			if *verify {
				return verifyJournal(ctx, ctl, std.out)
			}
			return runJournal(ctx, ctl, from, to, *all, std)
		})
	})
}

func runJournal(ctx context.Context, ctl *control, from, to time.Time, all bool, std stdio) error {
	lines, faults := 0, 0
	err := ctl.journalLines(ctx, from, to, all, func(l wire.JournalEntry) error {
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

func verifyJournal(ctx context.Context, ctl *control, w io.Writer) error {
	var c web.JournalCheck
	if err := ctl.get(ctx, "journal/check", &c); err != nil {
		return fmt.Errorf("check the journal: %w", err)
	}
	if c.Fault != "" {
		return fmt.Errorf("%s; the %d lines before that are as they were written. A backup of before tells what stood there", c.Fault, c.Entries)
	}
	fmt.Fprintf(w, "%d lines, unbroken\n", c.Entries)
	return nil
}

// journalLines hands on the lines that are streamed.
func (c *control) journalLines(ctx context.Context, from, to time.Time, all bool, write func(wire.JournalEntry) error) error {
	q := url.Values{"from": {stamp(from)}, "to": {stamp(to)}, "all": {strconv.FormatBool(all)}}
	resp, err := c.ask(ctx, http.MethodGet, "journal/lines?"+q.Encode(), nil)
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
