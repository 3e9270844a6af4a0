package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/sensors/trace"
	"dewline/store"
)

const importBatch = 20_000

func importCommand() *cobra.Command {
	c := &cobra.Command{Use: "import --trace FILE", Short: "add a trace to the record", Args: words(0)}
	ctl := addControl(c.Flags())
	im := importing{met: map[sensors.ProbeID]int{}}
	file := c.Flags().String("trace", "", "the trace `FILE`, - for standard input")
	c.Flags().BoolVar(&im.keepGoing, "keep-going", false, "report bad lines and go on with the rest")
	c.Flags().BoolVar(&im.dry, "dry-run", false, "say what would be added, and write nothing")
	c.Flags().BoolVar(&im.again, "again", false, "add the trace even if the record has its first reading already")
	zone := c.Flags().String("timezone", "UTC", "the `ZONE` of times that carry none")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		im.std = std
		return runImport(ctx, ctl, *file, *zone, &im)
	})
}

func runImport(ctx context.Context, ctl *control, file, zone string, im *importing) error {
	if file == "" {
		return usagef("name the trace with --trace FILE")
	}
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return usagef("--timezone %s: %w", zone, err)
	}
	dir, err := ctl.stoppedDir()
	if err != nil {
		return err
	}
	in, closeIn, err := openTrace(file, im.std)
	if err != nil {
		return err
	}
	defer closeIn()
	im.progress = newProgress(in, im.std.err)
	if im.rd, err = trace.NewReader(im.progress, file, loc); err != nil {
		return fmt.Errorf("read the trace: %w", err)
	}
	if im.dry {
		return im.rehearse(ctx, dir)
	}
	st, report, err := openForImport(ctx, ctl.config, dir, im.std.err)
	if err != nil {
		return err
	}
	im.st, im.resume = st, report.LastMono
	err = im.rows(ctx)
	im.progress.end()
	if im.n > 0 {
		e := event.New(sensors.Instant{Mono: im.last, Wall: time.Now()}, event.Record{Act: "import", File: file,
			What: im.what()})
		e.By = ctl.by
		err = errors.Join(err, st.Commit(store.Commit{Journal: []event.Event{e}}))
	}
	err = errors.Join(err, st.Close(context.WithoutCancel(ctx)))
	handOver(filepath.Join(dir, store.FileName))
	fmt.Fprintf(im.std.out, "%s added to the record in %s\n", configs.Count(im.n, "reading"), dir)
	return errors.Join(err, im.unusable())
}

// rehearse reads all of the trace, and of the record only whether it has the same already.
func (m *importing) rehearse(ctx context.Context, dir string) error {
	_, err := os.Stat(filepath.Join(dir, store.FileName))
	if errors.Is(err, fs.ErrNotExist) {
		err = m.rows(ctx)
	} else {
		err = withRecord(ctx, store.Options{Dir: dir}, func(st *store.Store) error {
			m.st = st
			return m.rows(ctx)
		})
	}
	m.progress.end()
	if err == nil {
		fmt.Fprintf(m.std.out, "would add %s to the record in %s; nothing was written\n", m.what(), dir)
		for _, id := range slices.Sorted(maps.Keys(m.met)) {
			fmt.Fprintf(m.std.out, "  %s: %s\n", id, configs.Count(m.met[id], "reading"))
		}
	}
	return errors.Join(err, m.unusable())
}

func (m *importing) what() string {
	if m.n == 0 {
		return "no readings"
	}
	return fmt.Sprintf("%s of %s, %s to %s", configs.Count(m.n, "reading"), configs.Count(len(m.met), "probe"), minute(m.start), minute(m.newest))
}

func (m *importing) unusable() error {
	if m.bad == 0 {
		return nil
	}
	return fmt.Errorf("%s could not be used", configs.Count(m.bad, "line"))
}

// openForImport opens the record for writing. Retention and limits are the
// configuration's business; without one, nothing counts as inside a band.
func openForImport(ctx context.Context, config, dir string, warn io.Writer) (*store.Store, store.Report, error) {
	o := store.Options{Dir: dir}
	if cfg, _, err := table.LoadInForce(config); err == nil {
		o.Keep, o.Limits = core.KeepOf(cfg), core.LimitsOf(cfg)
	}
	st, report, err := store.Open(ctx, o)
	if err != nil {
		return nil, report, advised(err, filepath.Join(dir, store.FileName), namesData)
	}
	if report.Quarantined != "" {
		fmt.Fprintf(warn, "the record was damaged (%v) and set aside as %s; what could be saved at once is in a new one; dewline repair saves all that is whole\n",
			report.Damage, report.Quarantined)
	}
	return st, report, nil
}

// An importing lets running time go on from resume at the pace of the trace.
type importing struct {
	st            *store.Store // in a rehearsal for reading only, nil where there is none
	dry           bool
	progress      *progress
	rd            *trace.Reader
	resume, last  time.Duration
	again         bool
	keepGoing     bool
	std           stdio
	start, newest time.Time
	met           map[sensors.ProbeID]int // how many readings of each
	n, bad        int
}

var errTwice = errors.New("the record has a reading of this probe at this time: was the trace imported before? --again adds it once more")

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
		case line != nil:
			err = fmt.Errorf("%w (--keep-going leaves such lines out)", err)
			fallthrough
		case err != nil:
			return errors.Join(err, m.flush(ctx))
		}
		if err := m.row(ctx, row); err != nil {
			return err
		}
	}
}

func (m *importing) flush(ctx context.Context) error {
	if m.dry {
		return nil
	}
	if err := m.st.Flush(ctx, nil); err != nil {
		return fmt.Errorf("write the record: %w", err)
	}
	return nil
}

// end writes what is left until nothing is to be packed any more, which the daemon would do
// for hours, one day at a time. It says what was not kept.
func (m *importing) end(ctx context.Context) error {
	if m.dry {
		return nil
	}
	err := m.flush(ctx)
	for before := uint64(0); err == nil && m.st.Stats().Commits > before; err = m.flush(ctx) {
		before = m.st.Stats().Commits
	}
	if lost := m.st.Stats().Lost; lost > 0 {
		err = errors.Join(err, fmt.Errorf("%d readings found no room in the record", lost))
	}
	return err
}

func (m *importing) row(ctx context.Context, row trace.Row) error {
	if m.start.IsZero() {
		m.start = row.Time
	}
	if m.met[row.Probe]++; m.met[row.Probe] == 1 && !m.again && m.st != nil {
		if err := m.isNew(ctx, row); err != nil {
			return errors.Join(err, m.flush(ctx))
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
	if !m.dry {
		m.st.Append(r)
	}
	if m.n++; m.n%importBatch != 0 {
		return nil
	}
	m.progress.tell(m.n, fmt.Sprintf("%d readings, up to %s", m.n, minute(m.newest)))
	return m.flush(ctx)
}

// isNew refuses what is on record already: sums would count it twice.
func (m *importing) isNew(ctx context.Context, row trace.Row) error {
	const near = 500 * time.Millisecond // stamps may be kept on the probe's grid
	for _, err := range m.st.Readings(ctx, row.Probe, row.Time.Add(-near), row.Time.Add(near)) {
		if err == nil {
			return fmt.Errorf("probe %s at %s: %w", row.Probe, row.Time.UTC().Format(time.RFC3339), errTwice)
		}
	}
	return nil
}
