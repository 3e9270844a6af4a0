package chart

import (
	"time"
)

// A tick is a moment with a label; under stands in the second line.
type tick struct {
	at           time.Time
	label, under string
}

// A pace is a distance of ticks. Days and months are those of the calendar, so
// that a day of 23 or 25 hours gets no crooked ticks.
type pace struct {
	hours, days, months int
	about               time.Duration
	label, under        string // as time.Format takes them
	widest              string
}

const day = 24 * time.Hour

func paces() []pace {
	const dayName, dayMonth, monthYear, year = "Mon 2", "2 Jan", "January 2006", "2006"
	var list []pace
	for _, h := range []int{1, 2, 3, 6, 12} {
		list = append(list, pace{hours: h, about: time.Duration(h) * time.Hour, label: "15:04", under: "Mon 2 Jan", widest: "00:00"})
	}
	return append(list,
		pace{days: 1, about: day, label: dayName, under: monthYear, widest: "Wed 20"},
		pace{days: 2, about: 2 * day, label: dayName, under: monthYear, widest: "Wed 20"},
		pace{days: 7, about: 7 * day, label: dayMonth, under: year, widest: "20 May"},
		pace{months: 1, about: 30 * day, label: "Jan", under: year, widest: "May"},
		pace{months: 2, about: 61 * day, label: "Jan", under: year, widest: "May"},
		pace{months: 3, about: 91 * day, label: "Jan", under: year, widest: "May"},
		pace{months: 12, about: 365 * day, label: year, widest: "2026"},
	)
}

// ticksOf returns the ticks of [from, to] that suit a width in pixels.
func ticksOf(from, to time.Time, loc *time.Location, width, size float64) []tick {
	from, to = from.In(loc), to.In(loc)
	if !from.Before(to) {
		return nil
	}
	list := paces()
	chosen := list[len(list)-1]
	for _, p := range list {
		if p.hours > 0 && to.Sub(from) > 4*day {
			continue // hours of many days are noise
		}
		if width*p.about.Seconds()/to.Sub(from).Seconds() >= textWidth(p.widest, size)+10 {
			chosen = p
			break
		}
	}
	return chosen.ticks(from, to)
}

// ticks returns the ticks in [from, to]. The second line stands where it
// changes.
func (p pace) ticks(from, to time.Time) []tick {
	var out []tick
	last := ""
	for at := p.start(from); !at.After(to) && len(out) < 1000; at = p.next(at) {
		if at.Before(from) {
			continue
		}
		t := tick{at: at, label: at.Format(p.label)}
		if u := at.Format(p.under); u != last {
			t.under, last = u, u
		}
		out = append(out, t)
	}
	return out
}

// start returns a moment on the grid at or before from.
func (p pace) start(from time.Time) time.Time {
	y, m, d := from.Date()
	switch {
	case p.months > 0:
		return time.Date(y, time.Month((int(m)-1)/p.months*p.months+1), 1, 0, 0, 0, 0, from.Location())
	case p.days == 7: // weeks begin on Monday, ISO 8601
		return time.Date(y, m, d-(int(from.Weekday())+6)%7, 0, 0, 0, 0, from.Location())
	case p.days > 1:
		return time.Date(y, m, d-(from.YearDay()-1)%p.days, 0, 0, 0, 0, from.Location())
	}
	return time.Date(y, m, d, 0, 0, 0, 0, from.Location())
}

// next returns the next moment on the grid.
func (p pace) next(at time.Time) time.Time {
	y, m, d := at.Date()
	switch {
	case p.months > 0:
		return time.Date(y, m+time.Month(p.months), 1, 0, 0, 0, 0, at.Location())
	case p.days > 0:
		return time.Date(y, m, d+p.days, 0, 0, 0, 0, at.Location())
	}
	for h := at.Hour()/p.hours*p.hours + p.hours; ; h += p.hours {
		// An hour that the clocks skip shows as another one: not on the grid.
		t := time.Date(y, m, d, h, 0, 0, 0, at.Location())
		if t.After(at) && t.Hour()%p.hours == 0 {
			return t
		}
	}
}
