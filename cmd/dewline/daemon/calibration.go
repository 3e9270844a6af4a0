package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
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

func newCalibrationBook(records []sensors.Correction, log *slog.Logger) *calibrationBook {
	set, err := sensors.NewCorrections(records)
	if err != nil {
		log.Error("some calibrations are not used", "err", err)
	}
	return &calibrationBook{current: set}
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
