package summary

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dewline/rules"
)

// changesTold is how many changes a summary tells.
const changesTold = 8

// What makes a difference to the week before worth a word.
const (
	bandMoved  = 0.10 // share inside the band
	tempMoved  = 0.7  // °C, mean of the day or the night
	dropMoved  = 0.8  // °C
	floorMoved = 60.0 // minutes
	floorShare = 0.25 // of the larger one, too
	mistMoved  = 2    // missed pulses
)

// A change is one difference, with how many times it exceeds what is worth a
// word.
type change struct {
	size float64
	text string
	kind string // changes of one kind are told together; empty for no other
	name string // of the enclosure
}

// changes lists what differs most from the week before.
func (b adviser) changes() []string {
	var all []change
	compared := false
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		if e.Covered < dayCovered || e.Before.Covered < dayCovered {
			continue
		}
		compared = true
		all = append(all, e.changes(b.report.Until.Before(b.report.To))...)
	}
	if q := b.report.Alarms; compared && abs(q.Count-q.Before) >= 5 {
		all = append(all, change{size: float64(abs(q.Count-q.Before)) / 5, text: fmt.Sprintf("Alarms: %d, the week before %d.", q.Count, q.Before)})
	}
	slices.SortStableFunc(all, func(x, y change) int { return cmp.Compare(y.size, x.size) })
	out := []string{}
	told := map[string]bool{}
	for i := 0; i < len(all) && len(out) < changesTold; i++ {
		c := &all[i]
		if c.kind != "" && told[c.kind] {
			continue
		}
		told[c.kind] = true
		out = append(out, c.text+c.likewise(all[i+1:]))
	}
	if !compared && !b.report.NoData {
		b.unknown("Changes cannot be told: there is less than a day on record of this week or the one before.")
	}
	return out
}

// likewise names those of rest that changed in the same way.
func (c *change) likewise(rest []change) string {
	var others []string
	for _, o := range rest {
		if c.kind != "" && o.kind == c.kind {
			others = append(others, o.name)
		}
	}
	if len(others) == 0 {
		return ""
	}
	return " Likewise " + list(others, 4) + "."
}

func abs(n int) int { return max(n, -n) }

// changes compares the figures of one enclosure. Counts are not compared while
// the week is under way.
func (e *Enclosure) changes(partial bool) []change {
	var out []change
	add := func(kind string, moved, worth float64, format string, args ...any) {
		if size := math.Abs(moved) / worth; size >= 1 {
			kind += map[bool]string{true: " up", false: " down"}[moved > 0]
			out = append(out, change{size, e.Name + ": " + fmt.Sprintf(format, args...) + ".", kind, e.Name})
		}
	}
	now, was := &e.Figures, &e.Before
	if now.InBand != nil && was.InBand != nil {
		add("band", *now.InBand-*was.InBand, bandMoved, "%s of the time inside the band, the week before %s", share(*now.InBand), share(*was.InBand))
	}
	means := func(half string, a, b Climate) {
		if a.Temperature == nil || b.Temperature == nil {
			return
		}
		d := a.Temperature.Mean - b.Temperature.Mean
		word := "warmer"
		if d < 0 {
			word = "cooler"
		}
		add(half, d, tempMoved, "%s %s by %s, mean %s", half, deltaMark(math.Abs(d)), word, tempMark(a.Temperature.Mean))
	}
	means("days", now.Day, was.Day)
	means("nights", now.Night, was.Night)
	if now.Drop != nil && was.Drop != nil {
		add("drop", *now.Drop-*was.Drop, dropMoved, "night drop %s, the week before %s", deltaMark(*now.Drop), deltaMark(*was.Drop))
	}
	switch now.DryDown.Trend {
	case "slower", "faster":
		add(now.DryDown.Trend, 1.5, 1, "it dries %s than usual: %s", now.DryDown.Trend, dryWords(&now.DryDown, &was.DryDown))
	}
	if partial {
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
func (b adviser) outlook() []string {
	r := b.report
	out := []string{}
	if open := b.stillOpen(); len(open) > 0 {
		out = append(out, "Still open at the end of the week: "+r.alarmNames(open, 4)+".")
	}
	if next := b.week.Next(); next.To().Sub(next.From()).Hours() != 168 {
		out = append(out, "The clocks change next week: look at lamp and mist timers that do not change by themselves.")
	}
	if s := b.closest(); s != "" {
		out = append(out, s)
	}
	if d, n := b.drift(); n >= 1 && math.Abs(d) >= tempMoved {
		word := "warmer"
		if d < 0 {
			word = "cooler"
		}
		out = append(out, fmt.Sprintf("On average over the enclosures the days were %s %s than in the week before.",
			deltaMark(math.Abs(d)), word))
	}
	var soon []string
	for _, d := range r.Due {
		if d.At.After(r.Until) && !slices.Contains(soon, d.Probe) {
			soon = append(soon, d.Probe)
		}
	}
	if len(soon) > 0 {
		out = append(out, fmt.Sprintf("Calibrations due within two weeks: %s.", list(soon, 6)))
	}
	if d := r.Drill.Due; !d.IsZero() && d.After(r.Until) && d.Before(r.Until.Add(dueWithin)) {
		out = append(out, "The next drill is due on "+d.Format("Monday, "+dateForm)+".")
	}
	return out
}

// stillOpen names the alarms that had not ended with the week.
func (b adviser) stillOpen() []string {
	var open []string
	for _, o := range b.onsets {
		if o.To.IsZero() && o.Priority > rules.Note {
			open = append(open, rules.OnsetID(o.past.Key, 0))
		}
	}
	return open
}

// nearLethal is how close to its lethal limit an enclosure comes before it is
// named, in °C.
const nearLethal = 2.0

// closest names the enclosure that came closest to its lethal limit, the young
// first among equals.
func (b adviser) closest() string {
	var best *Enclosure
	left := nearLethal
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		h := hottest(&e.Figures)
		if h == nil || *h >= e.Limits.Lethal { // one that reached it is told of above
			continue
		}
		if m := e.Limits.Lethal - *h; m < left || best != nil && m == left && young(e) && !young(best) {
			best, left = e, m
		}
	}
	if best == nil {
		return ""
	}
	return fmt.Sprintf("Closest to its lethal limit was %s, with %s against %s.", best.Name, tempMark(*hottest(&best.Figures)), tempMark(best.Limits.Lethal))
}

// drift is the mean change of the days' mean temperatures.
func (b adviser) drift() (float64, int) {
	sum, n := 0.0, 0
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		if e.Covered >= dayCovered && e.Before.Covered >= dayCovered && e.Day.Temperature != nil && e.Before.Day.Temperature != nil {
			sum += e.Day.Temperature.Mean - e.Before.Day.Temperature.Mean
			n++
		}
	}
	return sum / float64(max(n, 1)), n
}
