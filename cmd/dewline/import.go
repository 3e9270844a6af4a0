package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/trace"
	"dewline/store"
)

// importBatch is how many readings are written at once.
const importBatch = 20_000

// runImport adds a trace to the record of a daemon that is not running.
func runImport(ctx context.Context, args []string, std stdio) error {
	fs := newFlags("import", "--trace FILE [--keep-going]", std)
	cf := addControlFlags(fs)
	file := fs.String("trace", "", "the trace `FILE`, - for standard input")
	keepGoing := fs.Bool("keep-going", false, "report bad lines and go on with the rest")
	zone := fs.String("timezone", "UTC", "the `ZONE` of times that carry none")
	if err := parse(fs, args, 0); err != nil {
		return err
	}
	if *file == "" {
		return usageError{"dewline import: name the trace with --trace FILE"}
	}
	loc, err := time.LoadLocation(*zone)
	if err != nil {
		return usageError{fmt.Sprintf("dewline import: --timezone %s: %v", *zone, err)}
	}
	dir, err := stoppedDir(cf)
	if err != nil {
		return err
	}
	in, closeIn, err := openTrace(*file, std)
	if err != nil {
		return err
	}
	defer closeIn()
	rd, err := trace.NewReader(in, trace.Options{Name: *file, Location: loc})
	if err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	o := store.Options{Dir: dir}
	// Retention is the configuration's business; the limits are only known by it.
	if cfg, err := configs.Load(*cf.config); err == nil {
		o.KeepRaw, o.KeepTable, o.MaxBytes = cfg.Store.KeepRaw.D(), cfg.Store.KeepTable.D(), int64(cfg.Store.MaxMiB)<<20
	}
	st, report, err := store.Open(ctx, o)
	if err != nil {
		return fmt.Errorf("open the record in %s: %w", dir, err)
	}
	n, bad, err := importRows(ctx, st, rd, report.LastMono, *keepGoing, std)
	err = errors.Join(err, st.Close(context.WithoutCancel(ctx)))
	fmt.Fprintf(std.out, "%d readings added to the record in %s\n", n, dir)
	if err == nil && bad > 0 {
		err = fmt.Errorf("%d lines could not be used", bad)
	}
	return err
}

// importRows appends every row; running time goes on from resume at the pace of
// the trace.
func importRows(ctx context.Context, st *store.Store, rd *trace.Reader, resume time.Duration, keepGoing bool, std stdio) (n, bad int, err error) {
	var start time.Time
	for {
		row, err := rd.Next()
		var line *trace.LineError
		switch {
		case errors.Is(err, io.EOF):
			return n, bad, st.Flush(ctx, nil)
		case errors.As(err, &line) && keepGoing:
			bad++
			fmt.Fprintln(std.err, line)
			continue
		case err != nil:
			return n, bad, errors.Join(err, st.Flush(ctx, nil))
		}
		if start.IsZero() {
			start = row.Time
		}
		r := sensors.Reading{
			Probe: row.Probe, At: sensors.Instant{Mono: resume + row.Time.Sub(start) + time.Second, Wall: row.Time, Synced: true},
			Has: row.Has, Temperature: row.Temperature, Humidity: row.Humidity, Raw: row.Sample(), Quality: sensors.Good,
		}
		if row.Has == 0 {
			r.Quality, r.Reason = sensors.Bad, sensors.BusError
		}
		st.Append(r)
		if n++; n%importBatch == 0 {
			if err := st.Flush(ctx, nil); err != nil {
				return n, bad, fmt.Errorf("write the record: %w", err)
			}
		}
	}
}
