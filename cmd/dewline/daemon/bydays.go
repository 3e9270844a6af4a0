package daemon

import (
	"iter"
	"math"
	"time"

	"dewline/sensors"
	"dewline/store"
)

const wholeDay = 24 * time.Hour

// byDay joins hourly sums, which come in order, into sums of whole days in UTC.
func byDay(hours iter.Seq2[store.Rollup, error]) iter.Seq2[store.Rollup, error] {
	return func(yield func(store.Rollup, error) bool) {
		var d daySum
		for h, err := range hours {
			if err != nil {
				if !yield(store.Rollup{}, err) {
					return
				}
				continue
			}
			if day := h.Start.Truncate(wholeDay); d.any && !day.Equal(d.Start) {
				if !yield(d.rollup(), nil) {
					return
				}
				d = daySum{}
			}
			d.add(h)
		}
		if d.any {
			yield(d.rollup(), nil)
		}
	}
}

// A daySum is a day under way. Means weigh by how many readings each stands for.
type daySum struct {
	store.Rollup
	any                        bool
	temperature, humidity, vpd weighted
}

type weighted struct {
	sum    float64
	weight int
}

func (w *weighted) add(into *store.Spread, s store.Spread, count int) {
	if w.weight == 0 {
		into.Min, into.Max = s.Min, s.Max
	}
	into.Min, into.Max = min(into.Min, s.Min), max(into.Max, s.Max)
	w.sum += float64(s.Mean) * float64(count)
	w.weight += count
}

func (w *weighted) mean() int32 {
	if w.weight == 0 {
		return 0
	}
	return int32(math.Round(w.sum / float64(w.weight)))
}

func (d *daySum) add(h store.Rollup) {
	if !d.any {
		d.Probe, d.Start, d.Level, d.any = h.Probe, h.Start.Truncate(wholeDay), h.Level, true
	}
	d.Count += h.Count
	d.Has |= h.Has
	if h.Has&sensors.HasTemperature != 0 {
		d.temperature.add(&d.Temperature, h.Temperature, h.Count)
	}
	if h.Has&sensors.HasHumidity != 0 {
		d.humidity.add(&d.Humidity, h.Humidity, h.Count)
	}
	if both := sensors.HasTemperature | sensors.HasHumidity; h.Has&both == both {
		d.vpd.add(&d.VPD, h.VPD, h.Count)
	}
	d.InBand, d.BelowFloor, d.AboveCeil, d.Covered = d.InBand+h.InBand, d.BelowFloor+h.BelowFloor, d.AboveCeil+h.AboveCeil, d.Covered+h.Covered
}

func (d *daySum) rollup() store.Rollup {
	d.Temperature.Mean, d.Humidity.Mean, d.VPD.Mean = d.temperature.mean(), d.humidity.mean(), d.vpd.mean()
	d.Gap = max(wholeDay-d.Covered, 0)
	return d.Rollup
}
