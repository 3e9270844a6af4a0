package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"dewline/alert/summary"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/sensors/table"
	"dewline/store"
)

type summaryFlags struct {
	control        controlFlags
	week, to, unit string
	text, send     bool
	named          bool // --data stands on the command line
}

func summaryCommand() *cobra.Command {
	c := &cobra.Command{Use: "summary", Short: "show or mail the summary of a week", Args: words(0)}
	fs := c.Flags()
	f := summaryFlags{control: addControlFlags(fs)}
	fs.StringVar(&f.week, "week", "", "the ISO `WEEK`, such as 2026-W47; default the last whole one")
	fs.StringVar(&f.to, "to", "", "write it as a page with its pictures to the new `FILE`")
	fs.BoolVar(&f.text, "text", false, "write it as plain text to standard output; the default")
	fs.BoolVar(&f.send, "send", false, "mail it at once to everybody with mail_to, sent before or not")
	fs.StringVar(&f.unit, "units", "°C", "`°C|F`, for --text and --to")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		f.named = fs.Changed("data")
		return runSummary(ctx, &f, std)
	})
}

func runSummary(ctx context.Context, f *summaryFlags, std stdio) error {
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
	if ctl := f.running(ctx); ctl != nil {
		return f.online(ctx, ctl, std)
	}
	err := f.offline(ctx, std)
	if errors.Is(err, store.ErrLocked) { // its daemon has the socket elsewhere
		if ctl := f.control.running(ctx); ctl != nil {
			return f.online(ctx, ctl, std)
		}
	}
	return err
}

// running looks for the daemon of a data directory that was named, and for no other.
func (f *summaryFlags) running(ctx context.Context) *control {
	cf := f.control
	if f.named && *cf.socket == "" {
		path := filepath.Join(*cf.dir, "control.sock")
		cf.socket = &path
	}
	return cf.running(ctx)
}

func (f *summaryFlags) online(ctx context.Context, ctl *control, std stdio) error {
	if f.send {
		var sent struct {
			Week string
			Sent int
		}
		ctl.client.Timeout = 0 // a mail server may take its time
		if err := ctl.post(ctx, "summary", map[string]string{"week": f.week, "by": *f.control.by}, &sent); err != nil {
			return err
		}
		fmt.Fprintf(std.out, "the summary of week %s was sent to %d\n", sent.Week, sent.Sent)
		return nil
	}
	return f.write(std, func(format string) ([]byte, error) { return ctl.summary(ctx, f.week, format, f.unit) })
}

// write puts every form that was asked for where it was asked for.
func (f *summaryFlags) write(std stdio, form func(format string) ([]byte, error)) error {
	formats := map[string]bool{"html": f.to != "", "text": f.text || f.to == ""}
	for _, format := range []string{"html", "text"} {
		if !formats[format] {
			continue
		}
		b, err := form(format)
		if err == nil {
			err = f.put(format, b, std)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// summary fetches a finished summary. A long record on a slow card takes its time.
func (c *control) summary(ctx context.Context, week, format, unit string) ([]byte, error) {
	resp, err := c.stream(ctx, "summary?"+url.Values{"week": {week}, "format": {format}, "units": {unit}}.Encode())
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 64<<20))
	if err != nil {
		return nil, fmt.Errorf("read the summary: %w", err)
	}
	return b, nil
}

func (f *summaryFlags) put(format string, b []byte, std stdio) error {
	if format == "text" {
		_, err := std.out.Write(b)
		return err
	}
	err := withOutput(f.to, std.out, func(w io.Writer) error {
		_, err := w.Write(b)
		return err
	})
	if err != nil {
		return fmt.Errorf("write the summary: %w", err)
	}
	if f.to != "-" {
		fmt.Fprintf(std.err, "%s: written\n", f.to)
	}
	return nil
}

// offline makes the summary from the record of a daemon that is not running.
func (f *summaryFlags) offline(ctx context.Context, std stdio) error {
	cfg, dir, err := f.room()
	if err != nil {
		return err
	}
	week := summary.WeekOf(time.Now(), cfg.Room.Location).Prev()
	if f.week != "" {
		if week, err = summary.ParseWeek(f.week, cfg.Room.Location); err != nil {
			return usagef("--week: %w", err)
		}
	}
	st, _, err := store.Open(ctx, store.Options{Dir: dir, ReadOnly: true, Limits: core.LimitsOf(cfg)})
	if err != nil {
		return fmt.Errorf("open the record in %s: %w", dir, err)
	}
	defer func() { _ = st.Close(context.WithoutCancel(ctx)) }()
	report, err := summary.Build(ctx, st, cfg, week, time.Now())
	if err != nil {
		return err
	}
	if f.send {
		sent, err := daemon.MailSummary(ctx, cfg, report)
		if sent > 0 {
			fmt.Fprintf(std.out, "the summary of week %s was sent to %d\n", report.Week, sent)
		}
		return err
	}
	return f.write(std, func(format string) ([]byte, error) { return formOf(report, format, unit.ScaleOf(f.unit)) })
}

func formOf(report *summary.Report, format string, units unit.Scale) ([]byte, error) {
	if format == "text" {
		return []byte(report.Text(units)), nil
	}
	pics, err := report.Pictures(units)
	if err != nil {
		return nil, err
	}
	var page bytes.Buffer
	err = report.HTML(&page, units, pics, summary.Inside)
	return page.Bytes(), err
}

// room finds the configuration and the data directory. Without --config the
// copy that the daemon keeps beside its record is used, so that a summary of a
// copied directory needs nothing else.
func (f *summaryFlags) room() (*configs.Config, string, error) {
	dir := *f.control.dir
	cfg, _, err := table.LoadInForce(*f.control.config)
	if err == nil {
		return cfg, cmp.Or(dir, cfg.Store.Dir), nil
	}
	if dir != "" && errors.Is(err, os.ErrNotExist) {
		kept, _, keptErr := table.LoadInForce(filepath.Join(dir, daemon.LastGoodName))
		if keptErr == nil {
			return kept, dir, nil
		}
	}
	return nil, "", usagef("the room's configuration is needed, name it with --config FILE: %w", err)
}
