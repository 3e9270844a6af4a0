package page

import (
	"context"
	"sync"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

type extremes struct {
	low, high float64 // °C
	hasTemp   bool
}

// ranges keeps the extremes of the last day, because reading them for every
// visit would cost more than the rest of the home page.
type ranges struct {
	mu  sync.Mutex // guards what follows
	at  time.Time
	all map[string]extremes
}

// rangesFor is how old kept extremes may be, in room time.
const rangesFor = 10 * time.Minute

// of returns the extremes by enclosure. Without a record, or where it cannot
// be read, they are simply missing.
func (x *ranges) of(ctx context.Context, rec Record, cfg *configs.Config, now time.Time) map[string]extremes {
	if rec == nil {
		return nil
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if age := now.Sub(x.at); x.all != nil && age >= 0 && age < rangesFor {
		return x.all
	}
	all := make(map[string]extremes, len(cfg.Enclosures))
	for _, e := range cfg.Enclosures {
		var sum extremes
		for _, p := range cfg.ProbesOf(e.ID) {
			if p.MeasuresTemperature() {
				sum.add(ctx, rec, sensors.ProbeID(p.ID), now)
			}
		}
		all[e.ID] = sum
	}
	if ctx.Err() == nil {
		x.at, x.all = now, all
	}
	return all
}

func (s *extremes) add(ctx context.Context, rec Record, probe sensors.ProbeID, now time.Time) {
	for sum, err := range rec.Rollups(ctx, probe, store.Hour, now.Add(-24*time.Hour), now.Add(time.Hour)) {
		if err != nil || sum.Has&sensors.HasTemperature == 0 {
			continue
		}
		low, high := float64(sum.Temperature.Min)/100, float64(sum.Temperature.Max)/100
		if !s.hasTemp {
			s.low, s.high, s.hasTemp = low, high, true
		}
		s.low, s.high = min(s.low, low), max(s.high, high)
	}
}
