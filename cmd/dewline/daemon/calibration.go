package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// A calibrationBook holds the corrections on record. Its set is immutable, so
// readers share it.
type calibrationBook struct {
	mu      sync.Mutex // guards current
	current *sensors.Corrections
}

// load puts the records of an earlier run in force beside the present ones.
func (b *calibrationBook) load(records []sensors.Correction, log *slog.Logger) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range b.current.Records() {
		if !slices.ContainsFunc(records, func(o sensors.Correction) bool { return o.ID == r.ID }) {
			records = append(records, r)
		}
	}
	set, err := sensors.NewCorrections(records)
	if err != nil {
		log.Error("some calibrations are not used", "err", err)
	}
	b.current = set
}

func (b *calibrationBook) set() *sensors.Corrections {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.current
}

// add puts one more record in force.
func (b *calibrationBook) add(c sensors.Correction) (*sensors.Corrections, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	next, err := b.current.With(c)
	if err != nil {
		return nil, err
	}
	b.current = next
	return next, nil
}

// calibrations tells the rules when each probe was last calibrated.
func (b *calibrationBook) calibrations(cfg *configs.Config) []rules.Calibration {
	set := b.set()
	var out []rules.Calibration
	for _, p := range cfg.Probes {
		in := set.At(sensors.ProbeID(p.ID), farFuture)
		cal := rules.Calibration{Probe: sensors.ProbeID(p.ID)}
		if in.Humidity != nil {
			cal.Humidity, cal.Uncertainty = in.Humidity.From, in.Humidity.Uncertainty
		}
		if in.Temperature != nil {
			cal.Temperature = in.Temperature.From
		}
		if in.Humidity != nil || in.Temperature != nil {
			out = append(out, cal)
		}
	}
	return out
}

// farFuture is later than any correction: what is in force in the end.
var farFuture = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

func loadCorrections(st *store.Store) ([]sensors.Correction, error) {
	var out []sensors.Correction
	var errs []error
	for doc, err := range st.Docs(store.BucketCalibration) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		var c sensors.Correction
		if err := json.Unmarshal(doc.Value, &c); err != nil {
			errs = append(errs, fmt.Errorf("calibration %s: %w", doc.Key, err))
			continue
		}
		out = append(out, c)
	}
	return out, errors.Join(errs...)
}

// A redo is a probe whose sums are to be made again after a correction that
// reaches back.
type redo struct {
	probe sensors.ProbeID
	from  time.Time
	set   *sensors.Corrections
}

// redo queues the sums that a new record changes. An undo changes those since
// the record that it undoes.
func (d *Daemon) redo(c sensors.Correction, set *sensors.Corrections) {
	from := c.From
	for _, r := range set.Records() {
		if r.ID == c.Undoes && r.From.Before(from) {
			from = r.From
		}
	}
	select {
	case d.redos <- redo{c.Probe, from, set}:
	default:
		d.log.Warn("too many calibrations at once; older sums keep their values", "probe", c.Probe)
	}
}

// runRedos makes sums again in the background until ctx ends.
func (d *Daemon) runRedos(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case r := <-d.redos:
			st := d.currentStore()
			if st == nil {
				continue
			}
			n, err := st.Recompute(ctx, r.probe, r.from, d.now().Wall, func(reading sensors.Reading) sensors.Reading {
				if reading.Quality == sensors.Bad || reading.Raw.Has == 0 {
					return reading
				}
				reading.Temperature, reading.Humidity = r.set.At(r.probe, reading.At.Wall).Apply(reading.Raw)
				return reading
			})
			if err != nil {
				d.log.Error("sums of the past could not be made again with the new calibration", "probe", r.probe, "err", err)
				continue
			}
			d.log.Info("sums of the past were made again with the new calibration", "probe", r.probe, "since", r.from, "bundles", n)
		}
	}
}
