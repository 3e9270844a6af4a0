package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"time"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/export"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/sensors"
)

func exportCommand() *cobra.Command {
	c := &cobra.Command{Use: "export", Short: "write readings as CSV or OpenMetrics", Args: words(0)}
	ctl := addLook(c.Flags())
	span := addSpanFlags(c.Flags(), 24*time.Hour, "a day")
	only := c.Flags().StringArray("probe", nil, "only the probe with this `ID`; may be given several times")
	format := c.Flags().String("format", "csv", "what to write: `csv|openmetrics`")
	out := c.Flags().String("out", "-", "the new `FILE`, - for standard output")
	return does(c, func(ctx context.Context, _ []string, std stdio) (err error) {
		req := export.Request{Format: *format}
		if req.From, req.To, err = span.times(); err != nil {
			return err
		}
		for _, p := range *only {
			req.Probes = append(req.Probes, sensors.ProbeID(p))
		}
		return ctl.answering(ctx, std, func(ctl *control) error { return runExport(ctx, ctl, req, *out, std) })
	})
}

func runExport(ctx context.Context, ctl *control, req export.Request, out string, std stdio) error {
	var answer web.ExportAnswer
	err := withOutput(out, std.out, func(w io.Writer) (err error) {
		answer, err = ctl.export(ctx, w, req)
		return err
	})
	if err != nil {
		return err
	}
	return tellExport(std.err, req, answer)
}

func (c *control) export(ctx context.Context, w io.Writer, req export.Request) (answer web.ExportAnswer, err error) {
	q := url.Values{"format": {req.Format}, "from": {stamp(req.From)}, "to": {stamp(req.To)}}
	for _, p := range req.Probes {
		q.Add("probe", string(p))
	}
	resp, err := c.ask(ctx, http.MethodGet, "export?"+q.Encode(), nil)
	if err != nil {
		return answer, err
	}
	defer resp.Body.Close()
	if _, err := io.Copy(w, resp.Body); err != nil {
		return answer, fmt.Errorf("copy what is exported: %w", err)
	}
	if err := json.Unmarshal([]byte(resp.Trailer.Get(web.ExportTrailer)), &answer); err != nil {
		return answer, errors.New("the export was not finished")
	}
	if answer.Error != "" {
		return answer, errors.New(answer.Error)
	}
	return answer, nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

func tellExport(w io.Writer, req export.Request, a web.ExportAnswer) error {
	if a.Readings == 0 {
		fmt.Fprintf(w, "no readings from %s to %s", minute(req.From), minute(req.To))
		if a.Newest.IsZero() {
			fmt.Fprintln(w, "; the record holds none at all")
		} else {
			fmt.Fprintf(w, "; the record holds %s to %s\n", minute(a.Oldest), minute(a.Newest))
		}
	} else {
		fmt.Fprintf(w, "%s of %s, %s to %s\n", configs.Count(a.Readings, "reading"), configs.Count(a.Probes, "probe"), minute(a.First), minute(a.Last))
	}
	if a.Twice > 0 {
		fmt.Fprintf(w, "%d samples were left out: OpenMetrics has no two at one time, and the clock was set back\n", a.Twice)
	}
	if a.Damaged > 0 {
		return fmt.Errorf("the record is damaged in %d places, and readings are missing there: %s; dewline repair saves what is whole", a.Damaged, a.Fault)
	}
	return nil
}

// minute is a time as the commands of the record print it.
func minute(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

// withOutput runs f on a new file, which is removed if f fails, or on w.
func withOutput(file string, w io.Writer, f func(io.Writer) error) error {
	if file == "-" {
		b := bufio.NewWriterSize(w, 64<<10)
		return errors.Join(f(b), b.Flush())
	}
	out, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s exists: name a new file", file)
	}
	if err != nil {
		return fmt.Errorf("make the file of the export: %w", err)
	}
	b := bufio.NewWriterSize(out, 64<<10)
	if err := errors.Join(f(b), b.Flush(), out.Close()); err != nil {
		_ = os.Remove(file)
		return err
	}
	return nil
}
