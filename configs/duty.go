package configs

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A Duty says who is told first at certain times. The first section that covers a
// moment holds; where none does, the people stand in the order of the file.
type Duty struct {
	Person string     `toml:"person" ref:"person"`
	From   *Moment    `toml:"from"`  // from this on; nil for always
	To     *Moment    `toml:"to"`    // up to this, a day included; nil for ever
	Days   []string   `toml:"days"`  // on which the hours begin; none for every day
	Hours  *ClockSpan `toml:"hours"` // nil for the whole day
}

// A Moment is a day, or a time of a day, on the room's clock.
type Moment struct {
	day   time.Time // midnight, UTC
	at    ClockTime
	timed bool
}

func (Moment) example() string { return "2026-12-24 18:00" }

// UnmarshalText reads "2026-12-24" or "2026-12-24 18:00".
func (m *Moment) UnmarshalText(text []byte) error {
	const hint = `write a day, as in "2026-12-24", or a day and a time, as in "2026-12-24 18:00"`
	day, at, timed := strings.Cut(strings.TrimSpace(string(text)), " ")
	got := Moment{timed: timed}
	var err error
	if got.day, err = time.Parse(time.DateOnly, day); err != nil {
		return refuse(hint, "%q is no day", text)
	}
	if timed && got.at.UnmarshalText([]byte(at)) != nil {
		return refuse(hint, "%q is no time of a day", text)
	}
	*m = got
	return nil
}

// String writes it as it is read.
func (m Moment) String() string {
	if m.timed {
		return m.day.Format(time.DateOnly) + " " + m.at.String()
	}
	return m.day.Format(time.DateOnly)
}

// In returns the moment on the clock of loc; end adds a day to one without a time.
func (m Moment) In(loc *time.Location, end bool) time.Time {
	y, mo, d := m.day.Date()
	if end && !m.timed {
		d++
	}
	return time.Date(y, mo, d, int(m.at)/60, int(m.at)%60, 0, 0, loc)
}

// covers: the night after a day belongs to the day.
func (d *Duty) covers(wall time.Time, loc *time.Location) bool {
	if d.From != nil && wall.Before(d.From.In(loc, false)) || d.To != nil && !wall.Before(d.To.In(loc, true)) {
		return false
	}
	local := wall.In(loc)
	return d.weekly(local.Weekday(), clockOf(local))
}

func (d *Duty) weekly(day time.Weekday, at ClockTime) bool {
	if h := d.Hours; h != nil {
		if !h.Contains(at) {
			return false
		}
		if h.To < h.From && at < h.To {
			day = (day + 6) % 7
		}
	}
	return len(d.Days) == 0 || slices.Contains(d.Days, strings.ToLower(day.String()))
}

func (d *Duty) dated() bool { return d.From != nil || d.To != nil }

const minutesPerWeek = 7 * 24 * 60

// meets reports whether both hold at some moment.
func (d *Duty) meets(o *Duty) bool {
	for _, p := range [][2]*Duty{{d, o}, {o, d}} {
		if p[0].To != nil && p[1].From != nil && !p[1].From.In(time.UTC, false).Before(p[0].To.In(time.UTC, true)) {
			return false
		}
	}
	for m := range minutesPerWeek {
		if d.weekly(weekTime(m)) && o.weekly(weekTime(m)) {
			return true
		}
	}
	return false
}

// weekTime returns the day and the time of a minute of the week, from Monday on.
func weekTime(m int) (time.Weekday, ClockTime) {
	return time.Weekday((m/(24*60) + 1) % 7), ClockTime(m % (24 * 60))
}

func weekWords(m int) string {
	day, at := weekTime(m)
	return fmt.Sprintf("%s %s", day, at)
}

// DutyAt returns who is told first at a moment, by id; empty where no [[duty]]
// says.
func (c *Config) DutyAt(wall time.Time) string {
	loc := c.Room.Location
	if loc == nil {
		loc = time.Local
	}
	for i := range c.Duties {
		if c.Duties[i].covers(wall, loc) {
			return c.Duties[i].Person
		}
	}
	return ""
}

// A Turn is from when a person is told first; Person is empty where the order of
// the file holds.
type Turn struct {
	From   time.Time
	Person string
}

// Turns lists who is told first from a moment on and for so long.
func (c *Config) Turns(from time.Time, length time.Duration) []Turn {
	out := []Turn{{from, c.DutyAt(from)}}
	for t := from.Truncate(time.Minute).Add(time.Minute); t.Before(from.Add(length)); t = t.Add(time.Minute) {
		if p := c.DutyAt(t); p != out[len(out)-1].Person {
			out = append(out, Turn{t, p})
		}
	}
	return out
}
