package configs

import (
	"fmt"
	"strings"
	"time"
)

// ClockTime is a time of day in minutes since midnight. In TOML "08:00".
type ClockTime int

// A ClockSpan runs from From up to To, To excluded, and crosses midnight where
// To < From. In TOML "08:00-20:00".
type ClockSpan struct{ From, To ClockTime }

const (
	clockHint     = `write hours and minutes from "00:00" to "23:59"`
	clockSpanHint = `write start and end, as in "08:00-20:00"`
	secondsPerDay = 86400
)

func (ClockTime) example() string { return "08:00" }

// UnmarshalText reads "H:MM" or "HH:MM" on the 24-hour clock.
func (t *ClockTime) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	at, err := time.Parse("15:04", s)
	if err != nil {
		return refuse(clockHint, "%q is not a time of day", s)
	}
	*t = clockOf(at)
	return nil
}

// String writes "HH:MM".
func (t ClockTime) String() string { return fmt.Sprintf("%02d:%02d", int(t)/60, int(t)%60) }

func (ClockSpan) example() string { return "08:00-20:00" }

// UnmarshalText reads two times of day with a hyphen or en dash between them.
func (s *ClockSpan) UnmarshalText(text []byte) error {
	from, to, found := strings.Cut(strings.Replace(string(text), "–", "-", 1), "-")
	if !found {
		return refuse(clockSpanHint, "%q is not a span of the day", text)
	}
	var got ClockSpan
	if err := got.From.UnmarshalText([]byte(from)); err != nil {
		return err
	}
	if err := got.To.UnmarshalText([]byte(to)); err != nil {
		return err
	}
	if got.From == got.To {
		return refuse("write two different times, or leave the key out", "the span %q begins and ends at one time", text)
	}
	*s = got
	return nil
}

// String writes "HH:MM-HH:MM".
func (s ClockSpan) String() string { return s.From.String() + "-" + s.To.String() }

// Contains reports whether a clock showing t is inside the span.
func (s ClockSpan) Contains(t ClockTime) bool {
	if s.From <= s.To {
		return t >= s.From && t < s.To
	}
	return t >= s.From || t < s.To
}

// Covers reports whether wall, read on the clock of loc, is inside the span.
func (s ClockSpan) Covers(wall time.Time, loc *time.Location) bool {
	return s.Contains(clockOf(wall.In(loc)))
}

func clockOf(t time.Time) ClockTime { return ClockTime(t.Hour()*60 + t.Minute()) }

// NextChange returns the first moment after wall at which Covers changes. It
// follows the clock on the wall: where the clocks go back over an end of the
// span, that end happens twice.
func (s ClockSpan) NextChange(wall time.Time, loc *time.Location) time.Time {
	now := s.Covers(wall, loc)
	t := wall
	// Two ends a day and a clock change: more than a handful of steps without
	// a change means that the span has no ends.
	for range 16 {
		next := nextShowing(t, loc, s.From)
		if to := nextShowing(t, loc, s.To); to.Before(next) {
			next = to
		}
		if s.Covers(next, loc) != now {
			return next.In(loc)
		}
		t = next
	}
	return time.Time{}
}

// nextShowing returns the first moment after t at which the clock of loc comes
// to show c, or the next clock change where that is sooner.
func nextShowing(t time.Time, loc *time.Location, c ClockTime) time.Time {
	local := t.In(loc)
	_, offset := local.Zone()
	_, end := local.ZoneBounds()
	sinceMidnight := ((t.Unix()+int64(offset))%secondsPerDay + secondsPerDay) % secondsPerDay
	wait := (int64(c)*60 - sinceMidnight + secondsPerDay) % secondsPerDay
	if wait == 0 {
		wait = secondsPerDay
	}
	next := time.Unix(t.Unix()+wait, 0)
	if !end.IsZero() && end.Before(next) {
		return end
	}
	return next
}

// onDay returns the one moment of a local day at which c is due: the first of
// two where the clocks go back over it, none where they go forward over it.
func onDay(y int, mo time.Month, d int, c ClockTime, loc *time.Location) (time.Time, bool) {
	t := time.Date(y, mo, d, int(c)/60, int(c)%60, 0, 0, loc)
	if clockOf(t) != c {
		return t, false
	}
	start, _ := t.ZoneBounds()
	if start.IsZero() {
		return t, true
	}
	_, before := start.Add(-time.Second).In(loc).Zone()
	_, now := t.Zone()
	if earlier := t.Add(time.Duration(now-before) * time.Second); earlier.Before(start) && before > now {
		return earlier, true
	}
	return t, true
}

// A Date is one day. In TOML a text, "2026-10-15".
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

func (Date) example() string { return "2026-10-15" }

// UnmarshalText reads year, month and day.
func (d *Date) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.DateOnly, strings.TrimSpace(string(text)))
	if err != nil {
		return refuse(`write year, month and day, as in "2026-10-15"`, "%q is not a day", text)
	}
	d.Year, d.Month, d.Day = t.Date()
	return nil
}

// String writes "2006-01-02".
func (d Date) String() string { return d.noon().Format(time.DateOnly) }

func (d Date) noon() time.Time { return time.Date(d.Year, d.Month, d.Day, 12, 0, 0, 0, time.UTC) }

// daysUntil counts the days to the local day of at.
func (d Date) daysUntil(at time.Time) int {
	y, m, day := at.Date()
	return int((Date{y, m, day}).noon().Sub(d.noon()) / (24 * time.Hour))
}

// A YearDay is a day of any year, 0 for 1 January, counted as in a year of 365
// days. In TOML "1 Nov" or "11-01", month before day. 29 February is not in
// every year: a file may not name it, and it counts as the 28th.
type YearDay int

func (YearDay) example() string { return "1 Nov" }

// UnmarshalText reads a day and the name of its month, or month and day in
// digits.
func (d *YearDay) UnmarshalText(text []byte) error {
	s := strings.Join(strings.Fields(string(text)), " ")
	for _, layout := range []string{"2 Jan", "2 January", "Jan 2", "January 2", "01-02", "1-2"} {
		t, err := time.Parse("2006 "+layout, "2024 "+s) // a leap year
		switch {
		case err != nil:
		case t.Month() == time.February && t.Day() == 29:
			return refuse(`write "28 Feb" or "1 Mar"`, "29 February is not in every year")
		default:
			*d = YearDayOf(t)
			return nil
		}
	}
	return refuse(`write day and month, as in "1 Nov", or month and day, as in "11-01"`, "%q is not a day of the year", text)
}

// String writes "1 Nov".
func (d YearDay) String() string {
	return time.Date(2001, 1, 1+int(d), 0, 0, 0, 0, time.UTC).Format("2 Jan")
}

// YearDayOf is the day of the year that t's clock shows.
func YearDayOf(t time.Time) YearDay {
	_, m, day := t.Date()
	if m == time.February && day == 29 {
		day = 28
	}
	return YearDay(time.Date(2001, m, day, 0, 0, 0, 0, time.UTC).YearDay() - 1)
}
