package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/core"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/sensors/trace"
	"dewline/store"
)

// importBatch is how many readings are written at once.
const importBatch = 20_000

// importCommand adds a trace to the record of a daemon that is not running.
func importCommand() *cobra.Command {
	c := &cobra.Command{Use: "import --trace FILE", Short: "add a trace to the record", Args: words(0)}
	cf := addControlFlags(c.Flags())
	im := importing{met: map[sensors.ProbeID]bool{}}
	file := c.Flags().String("trace", "", "the trace `FILE`, - for standard input")
	c.Flags().BoolVar(&im.keepGoing, "keep-going", false, "report bad lines and go on with the rest")
	c.Flags().BoolVar(&im.again, "again", false, "add the trace even if the record has its first reading already")
	zone := c.Flags().String("timezone", "UTC", "the `ZONE` of times that carry none")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		im.std = std
		return runImport(ctx, cf, *file, *zone, &im)
	})
}

func runImport(ctx context.Context, cf controlFlags, file, zone string, im *importing) error {
	if file == "" {
		return usagef("name the trace with --trace FILE")
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return usagef("--timezone %s: %w", zone, err)
	}
	dir, err := stoppedDir(ctx, cf)
	if err != nil {
		return err
	}
	in, closeIn, err := openTrace(file, im.std)
	if err != nil {
		return err
	}
	defer closeIn()
	rd, err := trace.NewReader(in, trace.Options{Name: file, Location: loc})
	if err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	st, report, err := openForImport(ctx, cf, dir, im.std)
	if err != nil {
		return err
	}
	im.st, im.rd, im.resume = st, rd, report.LastMono
	err = im.rows(ctx)
	if im.n > 0 {
		e := event.New(sensors.Instant{Mono: im.last, Wall: time.Now()}, event.Record{Act: "import", File: file,
			What: fmt.Sprintf("%d readings of %d probes, %s to %s", im.n, len(im.met), minute(im.start), minute(im.newest))})
		e.By = *cf.by
		err = errors.Join(err, st.Commit(store.Commit{Journal: []event.Event{e}}))
	}
	err = errors.Join(err, st.Close(context.WithoutCancel(ctx)))
	handOver(filepath.Join(dir, store.FileName))
	fmt.Fprintf(im.std.out, "%d readings added to the record in %s\n", im.n, dir)
	if err == nil && im.bad > 0 {
		err = fmt.Errorf("%d lines could not be used", im.bad)
	}
	return err
}

// openForImport opens the record for writing. Retention and limits are the
// configuration's business; without one, nothing counts as inside a band.
func openForImport(ctx context.Context, cf controlFlags, dir string, std stdio) (*store.Store, store.Report, error) {
	o := store.Options{Dir: dir}
	if cfg, _, err := table.LoadInForce(*cf.config); err == nil {
		o.Keep, o.Limits = core.KeepOf(cfg), core.LimitsOf(cfg)
	}
	st, report, err := store.Open(ctx, o)
	if err != nil {
		return nil, report, advised(err, filepath.Join(dir, store.FileName), namesData)
	}
	if report.Quarantined != "" {
		fmt.Fprintf(std.err, "the record was damaged (%v) and set aside as %s; what could be saved at once is in a new one; dewline repair saves all that is whole\n",
			report.Damage, report.Quarantined)
	}
	return st, report, nil
}

// An importing adds the rows of a trace to a record. Running time goes on from
// resume at the pace of the trace.
type importing struct {
	st            *store.Store
	rd            *trace.Reader
	resume, last  time.Duration
	again         bool
	keepGoing     bool
	std           stdio
	start, newest time.Time
	met           map[sensors.ProbeID]bool
	n, bad        int
}

// errTwice says that a trace is on record already.
var errTwice = errors.New("the record has a reading of this probe at this time: was the trace imported before? --again adds it once more")

// rows appends every row.
func (m *importing) rows(ctx context.Context) error {
	for {
		row, err := m.rd.Next()
		var line *trace.LineError
		switch {
		case errors.Is(err, io.EOF):
			return m.end(ctx)
		case errors.As(err, &line) && m.keepGoing:
			m.bad++
			fmt.Fprintln(m.std.err, line)
			continue
		case err != nil:
			return errors.Join(err, m.st.Flush(ctx, nil))
		}
		if err := m.row(ctx, row); err != nil {
			return err
		}
	}
}

// end writes what is left, and says what was not kept.
func (m *importing) end(ctx context.Context) error {
	err := m.st.Flush(ctx, nil)
	if lost := m.st.Stats().Lost; lost > 0 {
		err = errors.Join(err, fmt.Errorf("%d readings found no room in the record", lost))
	}
	return err
}

// row appends one row and, now and then, writes.
func (m *importing) row(ctx context.Context, row trace.Row) error {
	if m.start.IsZero() {
		m.start = row.Time
	}
	if !m.met[row.Probe] {
		m.met[row.Probe] = true
		if !m.again {
			if err := m.isNew(ctx, row); err != nil {
				return errors.Join(err, m.st.Flush(ctx, nil))
			}
		}
	}
	m.last = m.resume + row.Time.Sub(m.start) + time.Second
	m.newest = row.Time
	r := sensors.Reading{
		Probe: row.Probe, At: sensors.Instant{Mono: m.last, Wall: row.Time, Synced: true},
		Has: row.Has, Temperature: row.Temperature, Humidity: row.Humidity, Raw: row.Sample(), Quality: sensors.Good,
	}
	if row.Has == 0 {
		r.Quality, r.Reason = sensors.Bad, sensors.BusError
	}
	m.st.Append(r)
	if m.n++; m.n%importBatch != 0 {
		return nil
	}
	if err := m.st.Flush(ctx, nil); err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	return nil
}

// isNew refuses a probe's first row where the record has one at that time: sums
// would count everything twice.
func (m *importing) isNew(ctx context.Context, row trace.Row) error {
	const near = 500 * time.Millisecond // stamps may be kept on the probe's grid
	for _, err := range m.st.Readings(ctx, row.Probe, row.Time.Add(-near), row.Time.Add(near)) {
		if err == nil {
			return fmt.Errorf("probe %s at %s: %w", row.Probe, row.Time.UTC().Format(time.RFC3339), errTwice)
		}
	}
	return nil
}
