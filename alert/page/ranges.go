package page

import (
	"context"
	"sync"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// extremes are the least and the greatest temperature, in °C.
type extremes struct{ low, high float64 }

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
		for _, p := range cfg.ProbesOf(e.ID) {
			for sum, err := range rec.Rollups(ctx, sensors.ProbeID(p.ID), store.Hour, now.Add(-24*time.Hour), now.Add(time.Hour)) {
				if err != nil || sum.Has&sensors.HasTemperature == 0 {
					continue
				}
				one := extremes{float64(sum.Temperature.Min) / 100, float64(sum.Temperature.Max) / 100}
				if had, ok := all[e.ID]; ok {
					one = extremes{min(one.low, had.low), max(one.high, had.high)}
				}
				all[e.ID] = one
			}
		}
	}
	if ctx.Err() == nil {
		x.at, x.all = now, all
	}
	return all
}
