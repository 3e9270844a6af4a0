package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"strconv"
	"time"

	"dewline/cmd/dewline/flatparquet"
	"dewline/sensors"
	"dewline/sensors/trace"
	"dewline/store"
)

// runExport writes readings in a form that other programs read.
func runExport(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("export", "--from TIME --to TIME [--probe ID] --format csv|openmetrics|parquet [--out FILE]", std)
	cf := addControlFlags(fs)
	span := addSpanFlags(fs, 24*time.Hour)
	var only stringList
	fs.Var(&only, "probe", "only this probe; may be given several times")
	format := fs.String("format", "csv", "csv, openmetrics or parquet")
	out := fs.String("out", "-", "the new `FILE`, - for standard output")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	from, to, err := span.times()
	if err != nil {
		return err
	}
	write := map[string]func(context.Context, io.Writer, export) error{
		"csv": exportCSV, "openmetrics": exportOpenMetrics, "parquet": exportParquet,
	}[*format]
	if write == nil {
		return usageError{fmt.Sprintf("dewline export: --format is csv, openmetrics or parquet, not %q", *format)}
	}
	rec, err := openForReading(ctx, cf)
	if err != nil {
		return err
	}
	defer rec.close()
	e := export{rec: rec.Store, from: from, to: to}
	if e.probes, err = pickProbes(rec.Probes(), only); err != nil {
		return err
	}
	return withOutput(*out, std.out, func(w io.Writer) error { return write(ctx, w, e) })
}

// An export is what is written.
type export struct {
	rec      *store.Store
	probes   []sensors.ProbeID
	from, to time.Time
}

func pickProbes(all []sensors.ProbeID, only stringList) ([]sensors.ProbeID, error) {
	if len(only) == 0 {
		return all, nil
	}
	known := map[sensors.ProbeID]bool{}
	for _, p := range all {
		known[p] = true
	}
	var out []sensors.ProbeID
	for _, p := range only {
		if !known[sensors.ProbeID(p)] {
			return nil, usageError{fmt.Sprintf("dewline export: the record has no probe %q", p)}
		}
		out = append(out, sensors.ProbeID(p))
	}
	return out, nil
}

// withOutput runs f on a new file, which is removed if f fails, or on w.
func withOutput(file string, w io.Writer, f func(io.Writer) error) error {
	if file == "-" {
		b := bufio.NewWriterSize(w, 64<<10)
		return errors.Join(f(b), b.Flush())
	}
	out, err := os.OpenFile(file, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("make the export's file: %w", err)
	}
	b := bufio.NewWriterSize(out, 64<<10)
	if err := errors.Join(f(b), b.Flush(), out.Close()); err != nil {
		_ = os.Remove(file)
		return err
	}
	return nil
}

// exportCSV writes dewline's own form, in the order of time.
func exportCSV(ctx context.Context, w io.Writer, e export) error {
	out := trace.NewWriter(w)
	for r, err := range e.merged(ctx) {
		if err != nil {
			return err
		}
		row := trace.Row{Time: r.At.Wall, Probe: r.Probe, Has: r.Has, Temperature: r.Temperature, Humidity: r.Humidity}
		if err := out.Write(row); err != nil {
			return fmt.Errorf("write the export: %w", err)
		}
	}
	return out.Flush()
}

// merged yields the readings of every probe in the order of time, holding one
// of each.
func (e export) merged(ctx context.Context) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		type head struct {
			next func() (sensors.Reading, error, bool)
			r    sensors.Reading
		}
		var heads []*head
		for _, p := range e.probes {
			next, stop := iter.Pull2(e.rec.Readings(ctx, p, e.from, e.to))
			defer stop()
			h := &head{next: next}
			r, err, ok := next()
			if err != nil {
				yield(r, err)
				return
			}
			if ok {
				h.r = r
				heads = append(heads, h)
			}
		}
		for len(heads) > 0 {
			first := 0
			for i, h := range heads {
				if h.r.At.Wall.Before(heads[first].r.At.Wall) {
					first = i
				}
			}
			h := heads[first]
			if !yield(h.r, nil) {
				return
			}
			r, err, ok := h.next()
			switch {
			case err != nil:
				yield(r, err)
				return
			case ok:
				h.r = r
			default:
				heads = append(heads[:first], heads[first+1:]...)
			}
		}
	}
}

// exportOpenMetrics writes OpenMetrics text with time stamps, one family after
// the other, as promtool tsdb create-blocks-from openmetrics reads it.
func exportOpenMetrics(ctx context.Context, w io.Writer, e export) error {
	for _, family := range []struct {
		name, unit, help string
		has              sensors.Quantities
		value            func(sensors.Reading) float64
	}{
		{"dewline_probe_temperature_celsius", "celsius", "Temperature of a probe.", sensors.HasTemperature,
			func(r sensors.Reading) float64 { return r.Temperature.Celsius() }},
		{"dewline_probe_humidity_ratio", "ratio", "Relative humidity of a probe, 0 to 1.", sensors.HasHumidity,
			func(r sensors.Reading) float64 { return float64(r.Humidity) / 10000 }},
	} {
		fmt.Fprintf(w, "# HELP %s %s\n# TYPE %s gauge\n# UNIT %s %s\n", family.name, family.help, family.name, family.name, family.unit)
		for _, p := range e.probes {
			label := strconv.Quote(string(p))
			for r, err := range e.rec.Readings(ctx, p, e.from, e.to) {
				if err != nil {
					return err
				}
				if r.Quality == sensors.Bad || r.Has&family.has == 0 {
					continue
				}
				if _, err := fmt.Fprintf(w, "%s{probe=%s} %s %s\n", family.name, label,
					strconv.FormatFloat(family.value(r), 'f', -1, 64),
					strconv.FormatFloat(float64(r.At.Wall.UnixMilli())/1000, 'f', 3, 64)); err != nil {
					return fmt.Errorf("write the export: %w", err)
				}
			}
		}
	}
	_, err := io.WriteString(w, "# EOF\n")
	return err
}

// exportParquet writes a row for each reading; a quantity that it lacks is null.
func exportParquet(ctx context.Context, w io.Writer, e export) error {
	at, probe := flatparquet.Time("time"), flatparquet.Text("probe")
	temperature, humidity := flatparquet.Number("temperature_c"), flatparquet.Number("humidity_pct")
	rawTemperature, rawHumidity := flatparquet.Number("raw_temperature_c"), flatparquet.Number("raw_humidity_pct")
	quality, reason, clockSet := flatparquet.Text("quality"), flatparquet.Text("reason"), flatparquet.Bool("clock_set")
	out, err := flatparquet.New(w, at.Column, probe.Column, temperature.Column, humidity.Column,
		rawTemperature.Column, rawHumidity.Column, quality.Column, reason.Column, clockSet.Column)
	if err != nil {
		return err
	}
	for r, err := range e.merged(ctx) {
		if err != nil {
			return err
		}
		at.Add(r.At.Wall.UnixMilli())
		probe.Add(string(r.Probe))
		temperature.Add(float64(r.Temperature)/100, r.Has&sensors.HasTemperature != 0)
		humidity.Add(float64(r.Humidity)/100, r.Has&sensors.HasHumidity != 0)
		rawTemperature.Add(float64(r.Raw.Temperature)/100, r.Raw.Has&sensors.HasTemperature != 0)
		rawHumidity.Add(float64(r.Raw.Humidity)/100, r.Raw.Has&sensors.HasHumidity != 0)
		quality.Add(r.Quality.String())
		reason.Add(r.Reason.String())
		clockSet.Add(r.At.Synced)
		if err := out.EndRow(); err != nil {
			return fmt.Errorf("write the export: %w", err)
		}
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("write the export: %w", err)
	}
	return nil
}
