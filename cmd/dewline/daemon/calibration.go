package daemon

import (
	"encoding/json"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"dewline/configs"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// A calibrationBook holds the corrections. Its set is immutable, so readers share it.
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
func (b *calibrationBook) calibrations(cfg *configs.Config) []room.Calibration {
	set := b.set()
	var out []room.Calibration
	for _, p := range cfg.Probes {
		in := set.At(sensors.ProbeID(p.ID), farFuture)
		cal := room.Calibration{Probe: sensors.ProbeID(p.ID)}
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
	for c, err := range store.Decode[sensors.Correction](st.Docs(store.BucketCalibration)) {
		if err != nil {
			errs = append(errs, err)
			continue
		}
		out = append(out, c)
	}
	return out, errors.Join(errs...)
}

// replaced is what was in force until now, or what is undone; for the journal.
func replaced(set *sensors.Corrections, c sensors.Correction) string {
	var old *sensors.Correction
	if c.Undoes != "" {
		for _, r := range set.Records() {
			if r.ID == c.Undoes {
				old = &r
			}
		}
	} else if in := set.At(c.Probe, c.From); c.Quantity == sensors.Humidity {
		old = in.Humidity
	} else {
		old = in.Temperature
	}
	if old == nil {
		return "none"
	}
	b, err := json.Marshal(old)
	if err != nil {
		return old.ID
	}
	return string(b)
}
