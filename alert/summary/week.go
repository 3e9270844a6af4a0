package summary

import (
	"fmt"
	"time"
)

// A Week is one ISO 8601 week in a time zone: from Monday's first moment to
// the next Monday's. A clock change makes it an hour shorter or longer.
type Week struct {
	Year, Number int // ISO year, which is not the calendar's around New Year
	loc          *time.Location
}

// WeekOf returns the week that t is in, read on the clock of loc; nil is UTC.
func WeekOf(t time.Time, loc *time.Location) Week {
	if loc == nil {
		loc = time.UTC
	}
	year, number := t.In(loc).ISOWeek()
	return Week{year, number, loc}
}

// ParseWeek reads a week such as "2026-W47".
func ParseWeek(s string, loc *time.Location) (Week, error) {
	if loc == nil {
		loc = time.UTC
	}
	w := Week{loc: loc}
	var rest string
	n, _ := fmt.Sscanf(s, "%4d-W%2d%s", &w.Year, &w.Number, &rest)
	if n != 2 || w.String() != s {
		return Week{}, fmt.Errorf("%q is no week: write year and ISO week as in 2026-W47", s)
	}
	if WeekOf(w.From().Add(time.Hour), loc) != w {
		return Week{}, fmt.Errorf("%q is no week: %d has no week %d", s, w.Year, w.Number)
	}
	return w, nil
}

// String writes the week as ISO 8601 does, "2026-W47". It is the week's key.
func (w Week) String() string { return fmt.Sprintf("%04d-W%02d", w.Year, w.Number) }

// Location returns the time zone of the week.
func (w Week) Location() *time.Location {
	if w.loc == nil {
		return time.UTC
	}
	return w.loc
}

// From returns the week's first moment.
func (w Week) From() time.Time { return w.day(0) }

// To returns the first moment after the week.
func (w Week) To() time.Time { return w.day(7) }

// Prev returns the week before.
func (w Week) Prev() Week { return WeekOf(w.noon(-7), w.Location()) }

// Next returns the week after.
func (w Week) Next() Week { return WeekOf(w.noon(7), w.Location()) }

// noon is the middle of the nth day; no zone changes its clocks at noon.
func (w Week) noon(n int) time.Time {
	// 4 January is always in week 1 (ISO 8601, 2.2.10).
	fourth := time.Date(w.Year, time.January, 4, 12, 0, 0, 0, w.Location())
	back := (int(fourth.Weekday()) + 6) % 7
	return time.Date(w.Year, time.January, 4-back+7*(w.Number-1)+n, 12, 0, 0, 0, w.Location())
}

// day is the first moment of the nth day, 0 for Monday: midnight, or the clock change where
// that skips midnight.
func (w Week) day(n int) time.Time {
	y, m, d := w.noon(n).Date()
	t := time.Date(y, m, d, 0, 0, 0, 0, w.Location())
	start, end := t.ZoneBounds()
	switch {
	case t.Day() != d: // it fell before a gap over midnight
		return end.In(w.Location())
	case t.Hour() != 0 && !start.IsZero(): // behind it
		return start.In(w.Location())
	}
	return t
}
