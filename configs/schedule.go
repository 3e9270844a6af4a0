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
