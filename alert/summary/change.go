package summary

import (
	"fmt"
	"math"
	"slices"
)

// changesTold is how many changes a summary tells.
const changesTold = 8

// What makes a difference to the week before worth a word.
const (
	bandMoved   = 0.10 // share inside the band
	tempMoved   = 0.7  // °C, mean of the day or the night
	dropMoved   = 0.8  // °C
	floorMoved  = 60.0 // minutes
	floorShare  = 0.25 // of the larger one, too
	mistMoved   = 2    // missed pulses
	alarmsMoved = 5
)

// changes lists what differs most from the week before. Each weighs as many times as it
// exceeds what is worth a word.
func (a *adviser) changes() []string {
	var all []point
	for _, e := range a.Enclosures {
		if e.comparable() {
			all = append(all, a.changesOf(&e)...)
		}
	}
	if q := a.Alarms; a.compared() && max(q.Count-q.Before, q.Before-q.Count) >= alarmsMoved {
		size := math.Abs(float64(q.Count-q.Before)) / alarmsMoved
		all = append(all, point{weight: size, Advice: Advice{Why: fmt.Sprintf("Alarms: %d, the week before %d.", q.Count, q.Before)}})
	}
	out := []string{}
	for c, others := range weighty(all) {
		if len(out) == changesTold {
			break
		}
		if len(others) > 0 {
			c.Why += " Likewise " + list(others, 4) + "."
		}
		out = append(out, c.Why)
	}
	return out
}

func (e *Enclosure) comparable() bool {
	return e.Covered >= dayCovered && e.Before.Covered >= dayCovered
}

func (r *Report) compared() bool {
	return slices.ContainsFunc(r.Enclosures, func(e Enclosure) bool { return e.comparable() })
}

// warmer writes how far a mean moved.
func (a *adviser) warmer(d float64) string {
	word := " warmer"
	if d < 0 {
		word = " cooler"
	}
	return delta(math.Abs(d), a.u) + word
}

// changesOf compares the figures of one enclosure. Counts are not compared while
// the week is under way.
func (a *adviser) changesOf(e *Enclosure) []point {
	var out []point
	add := func(kind string, moved, worth float64, format string, args ...any) {
		if size := math.Abs(moved) / worth; size >= 1 {
			kind += map[bool]string{true: " up", false: " down"}[moved > 0]
			out = append(out, point{size, Advice{Why: e.Name + ": " + fmt.Sprintf(format, args...) + "."}, kind, e.Name})
		}
	}
	now, was := &e.Figures, &e.Before
	if now.InBand != nil && was.InBand != nil {
		add("band", *now.InBand-*was.InBand, bandMoved, "%s of the time inside the band, the week before %s", share(*now.InBand), share(*was.InBand))
	}
	means := func(half string, now, was *Spread) {
		if now != nil && was != nil {
			d := now.Mean - was.Mean
			add(half, d, tempMoved, "%s %s, mean %s", half, a.warmer(d), degrees(now.Mean, a.u))
		}
	}
	means("days", now.Day.Temperature, was.Day.Temperature)
	means("nights", now.Night.Temperature, was.Night.Temperature)
	if now.Drop != nil && was.Drop != nil {
		add("drop", *now.Drop-*was.Drop, dropMoved, "night drop %s, the week before %s", delta(*now.Drop, a.u), delta(*was.Drop, a.u))
	}
	switch now.DryDown.Trend {
	case "slower", "faster":
		add(now.DryDown.Trend, 1.5, 1, "it dries %s than usual: %s", now.DryDown.Trend, dryWords(&now.DryDown, &was.DryDown))
	}
	if a.Until.Before(a.To) {
		return out
	}
	if now.BelowMin != nil && was.BelowMin != nil {
		moved := *now.BelowMin - *was.BelowMin
		if math.Abs(moved) < floorShare*max(*now.BelowMin, *was.BelowMin) {
			moved = 0
		}
		add("floor", moved, floorMoved, "%s below the floor, the week before %s", span(*now.BelowMin), span(*was.BelowMin))
	}
	add("mist", float64(now.Mist.Missed-was.Mist.Missed), mistMoved, "%s missed, the week before %d",
		count(now.Mist.Missed, "mist pulse", "mist pulses"), was.Mist.Missed)
	return out
}

// outlook says what is known to come up. It forecasts no temperature and calls
// nothing safe.
func (a *adviser) outlook() []string {
	out := []string{}
	if len(a.open) > 0 {
		out = append(out, "Still open at the end of the week: "+a.alarmNames(a.open, 4)+".")
	}
	if a.next.To().Sub(a.next.From()).Hours() != 168 {
		out = append(out, "The clocks change next week: look at lamp and mist timers that do not change by themselves.")
	}
	if e := a.closest(); e != nil {
		out = append(out, fmt.Sprintf("Closest to its lethal limit was %s, with %s against %s.", e.Name, beside(*hottest(&e.Figures), &e.Limits, a.u), degrees(e.Limits.Lethal, a.u)))
	}
	if d := a.drift(); math.Abs(d) >= tempMoved {
		out = append(out, fmt.Sprintf("On average over the enclosures the days were %s than in the week before.", a.warmer(d)))
	}
	if _, soon := a.calibrations(); len(soon) > 0 {
		out = append(out, fmt.Sprintf("Calibrations due within two weeks: %s.", list(soon, 6)))
	}
	if d := a.Drill.Due; d.After(a.Until) && d.Before(a.Until.Add(dueWithin)) {
		out = append(out, "The next drill is due on "+d.Format("Monday, "+dateForm)+".")
	}
	return out
}

// nearLethal is how close to its lethal limit an enclosure comes before it is
// named, in °C.
const nearLethal = 2.0

// closest is the enclosure that came closest to its lethal limit, nil for none that
// came near.
func (r *Report) closest() (best *Enclosure) {
	left := nearLethal
	for _, e := range r.Enclosures {
		h := hottest(&e.Figures)
		if h != nil && *h < e.Limits.Lethal && e.Limits.Lethal-*h < left { // one that reached it is told of above
			best, left = &e, e.Limits.Lethal-*h
		}
	}
	return best
}

// drift is the mean change of the days' mean temperatures.
func (r *Report) drift() float64 {
	sum, n := 0.0, 0
	for _, e := range r.Enclosures {
		if e.comparable() && e.Day.Temperature != nil && e.Before.Day.Temperature != nil {
			sum += e.Day.Temperature.Mean - e.Before.Day.Temperature.Mean
			n++
		}
	}
	return sum / float64(max(n, 1))
}

// calibrations are the probes that are late, and those that will soon be due.
func (r *Report) calibrations() (late, soon []string) {
	for _, d := range r.Due {
		to := &late
		if d.At.After(r.Until) {
			to = &soon
		}
		if !slices.Contains(*to, d.Probe) {
			*to = append(*to, d.Probe)
		}
	}
	return late, soon
}
