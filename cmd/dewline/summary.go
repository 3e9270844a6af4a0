package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"

	"github.com/spf13/cobra"

	"dewline/alert/summary"
	"dewline/store"
)

type summaryFlags struct {
	ctl            *control
	week, to, unit string
	text, send     bool
}

func summaryCommand() *cobra.Command {
	c := &cobra.Command{Use: "summary", Short: "show or mail the summary of a week", Args: words(0)}
	fs := c.Flags()
	f := summaryFlags{ctl: addControl(fs)}
	fs.StringVar(&f.week, "week", "", "the ISO `WEEK`, such as 2026-W47; default the last whole one")
	fs.StringVar(&f.to, "to", "", "write it as a page with its pictures to the new `FILE`")
	fs.BoolVar(&f.text, "text", false, "write it as plain text to standard output; the default")
	fs.BoolVar(&f.send, "send", false, "mail it at once to everybody with mail_to, sent before or not")
	fs.StringVar(&f.unit, "units", "°C", "`°C|F`, for --text and --to")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		return runSummary(ctx, &f, fs.Changed("data"), std)
	})
}

func runSummary(ctx context.Context, f *summaryFlags, named bool, std stdio) error {
	if f.week != "" {
		if _, err := summary.ParseWeek(f.week, nil); err != nil {
			return usagef("--week: %w", err)
		}
	}
	if f.unit != "°C" && f.unit != "C" && f.unit != "F" {
		return usagef("--units is °C or F, not %q", f.unit)
	}
	if f.send && (f.to != "" || f.text) {
		return usagef("--send goes without --to and --text")
	}
	// The daemon of a data directory that was named, and no other.
	near := *f.ctl
	if named && near.socket == "" {
		near.socket = filepath.Join(near.dir, "control.sock")
	}
	near.room = true
	ask := func(ctl *control) error { return f.ask(ctx, ctl, std) }
	err := near.answering(ctx, std, ask)
	if errors.Is(err, store.ErrLocked) && f.ctl.running() { // its daemon has the socket elsewhere
		return ask(f.ctl)
	}
	return err
}

func (f *summaryFlags) ask(ctx context.Context, ctl *control, std stdio) error {
	ctl.patient = true // a mail server may take its time, and a long record on a slow card
	if f.send {
		var sent struct {
			Week string
			Sent int
		}
		if err := ctl.post(ctx, "summary", map[string]string{"week": f.week, "by": ctl.by}, &sent); err != nil {
			return err
		}
		_, err := fmt.Fprintf(std.out, "the summary of week %s was sent to %d\n", sent.Week, sent.Sent)
		return err
	}
	return f.write(std, func(w io.Writer, format string) error {
		q := url.Values{"week": {f.week}, "format": {format}, "units": {f.unit}}
		resp, err := ctl.ask(ctx, http.MethodGet, "summary?"+q.Encode(), nil)
		if err != nil {
			return err
		}
		defer resp.Body.Close()
		if _, err := io.Copy(w, resp.Body); err != nil {
			return fmt.Errorf("read the summary: %w", err)
		}
		return nil
	})
}

// write puts every form that was asked for where it was asked for, once it is whole.
func (f *summaryFlags) write(std stdio, form func(w io.Writer, format string) error) error {
	var page, text bytes.Buffer
	if f.to != "" {
		if err := form(&page, "html"); err != nil {
			return err
		}
		if err := withOutput(f.to, std.out, func(w io.Writer) error { _, err := page.WriteTo(w); return err }); err != nil {
			return fmt.Errorf("write the summary: %w", err)
		}
		if f.to != "-" {
			fmt.Fprintf(std.err, "%s: written\n", f.to)
		}
	}
	if f.text || f.to == "" {
		if err := form(&text, "text"); err != nil {
			return err
		}
	}
	_, err := text.WriteTo(std.out)
	return err
}
