package summary

import (
	"math"
	"slices"
	"time"

	"dewline/store"
)

// A slot joins what the probes of one enclosure measured in ten minutes.
type slot struct {
	covered, inBand, below, above time.Duration
	temp, hum                     *store.Spread // of the probe that is judged
	hottest                       int32         // of any probe, where there is a temp
	atFloor                       bool          // hum is of the floor's own probe
}

// slots are an enclosure's by their start, in seconds since 1970.
type slots map[int64]*slot

// coverage is the time that a sum's readings stand for. It may be a little more
// than the sum's ten minutes where a reading came early, and the next sum's is
// less then; a clock that was set back must not count a time twice.
func coverage(r *store.Rollup) time.Duration { return min(r.Covered, 2*slotSpan) }

// A timedSlot is a slot with its start.
type timedSlot struct {
	start time.Time
	*slot
}

// between returns the slots that start in [from, to), in order. A week begins
// on a multiple of ten minutes in every zone there is.
func (all slots) between(from, to time.Time) []timedSlot {
	var out []timedSlot
	for at, s := range all {
		if at >= from.Unix() && at < to.Unix() {
			out = append(out, timedSlot{time.Unix(at, 0), s})
		}
	}
	slices.SortFunc(out, func(a, b timedSlot) int { return a.start.Compare(b.start) })
	return out
}

// figures are what the sums alone tell of [from, to).
func (all slots) figures(from, to time.Time, lampsOn func(time.Time) bool) Figures {
	var f Figures
	var covered, tempered, inBand, below, above time.Duration
	var day, night meter
	hasHum := false
	for _, s := range all.between(from, to) {
		covered += s.covered
		m := &night
		if lampsOn(s.start.Add(slotSpan / 2)) {
			m = &day
		}
		if s.temp != nil {
			m.temp.add(store.Spread{Min: s.temp.Min, Mean: s.temp.Mean, Max: s.hottest}, s.covered)
			tempered += s.covered
			inBand += s.inBand
			above += s.above
		}
		if s.hum != nil {
			m.hum.add(*s.hum, s.covered)
			hasHum = true
			below += s.below
		}
	}
	f.Covered = min(covered, to.Sub(from)).Minutes()
	f.Day, f.Night = Climate{day.temp.spread(), day.hum.spread()}, Climate{night.temp.spread(), night.hum.spread()}
	if tempered > 0 {
		f.InBand = ptr(min(inBand.Seconds()/tempered.Seconds(), 1))
		f.AboveMin = ptr(above.Minutes())
	}
	if hasHum {
		f.BelowMin = ptr(below.Minutes())
	}
	return f
}

func ptr[T any](v T) *T { return &v }

// A meter adds up slots of one half of the day.
type meter struct{ temp, hum weighed }

type weighed struct {
	min, max, sum, weight float64
}

func (w *weighed) add(s store.Spread, covered time.Duration) {
	weight := max(covered.Seconds(), 1)
	if w.weight == 0 {
		w.min, w.max = math.Inf(1), math.Inf(-1)
	}
	w.min, w.max = min(w.min, float64(s.Min)/100), max(w.max, float64(s.Max)/100)
	w.sum += weight * float64(s.Mean) / 100
	w.weight += weight
}

func (w *weighed) spread() *Spread {
	if w.weight == 0 {
		return nil
	}
	return &Spread{Min: w.min, Mean: w.sum / w.weight, Max: w.max}
}
