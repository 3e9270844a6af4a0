package summary

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/configs/draws"
	"dewline/sensors"

	"pgregory.net/rapid"
)

// TestWeekExamples: dates and weeks of ISO 8601, from memory; those of 2026 by
// any calendar.
func TestWeekExamples(t *testing.T) {
	for _, c := range []struct{ date, week string }{
		{"2005-01-01", "2004-W53"}, {"2005-01-02", "2004-W53"}, {"2005-12-31", "2005-W52"}, {"2007-01-01", "2007-W01"},
		{"2007-12-30", "2007-W52"}, {"2007-12-31", "2008-W01"}, {"2008-12-28", "2008-W52"}, {"2008-12-29", "2009-W01"},
		{"2009-12-31", "2009-W53"}, {"2010-01-03", "2009-W53"}, {"2026-11-16", "2026-W47"}, {"2026-11-22", "2026-W47"},
	} {
		at, err := time.Parse(time.DateOnly, c.date)
		if err != nil {
			t.Fatal(err)
		}
		if got := WeekOf(at, time.UTC).String(); got != c.week {
			t.Errorf("%s is in %s, want %s", c.date, got, c.week)
		}
		w, err := ParseWeek(c.week, time.UTC)
		if err != nil || at.Before(w.From()) || !at.Before(w.To()) || w.From().Weekday() != time.Monday {
			t.Errorf("%s: %v to %v (%v) does not hold %s", c.week, w.From(), w.To(), err, c.date)
		}
	}
}

func TestParseWeekRefuses(t *testing.T) {
	for _, s := range []string{"", "2026-47", "2026-W54", "2027-W53", "2026-W00", "2026-W7", "26-W47", "2026-W47x", "2026-w47", "2026-W-1", " 2026-W47", "2026-W471"} {
		if w, err := ParseWeek(s, time.UTC); err == nil {
			t.Errorf("%q was read as %s", s, w)
		} else if !strings.Contains(err.Error(), "no week") {
			t.Errorf("%q: %v", s, err)
		}
	}
	if _, err := ParseWeek("2026-W53", time.UTC); err != nil {
		t.Error(err) // 2026 begins on a Thursday and has 53 weeks
	}
}

// Zones with clock changes at midnight, with half an hour, with a skipped day
// and none at all; the dates of changes are the tz database's.
var zones = []string{
	"UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "America/Santiago", "America/Asuncion",
	"Africa/Cairo", "Asia/Kathmandu", "Pacific/Apia", "America/Havana", "Asia/Beirut",
}

func zone(t testing.TB, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Skipf("no time zone data for %s: %v", name, err)
	}
	return loc
}

// TestWeeksTile: weeks follow each other without gap or overlap in every zone,
// begin on a Monday and hold every moment once.
func TestWeeksTile(t *testing.T) {
	for _, name := range zones {
		loc := zone(t, name)
		w := WeekOf(time.Date(2005, 6, 1, 12, 0, 0, 0, time.UTC), loc)
		for w.Year < 2031 {
			next := w.Next()
			if !w.To().Equal(next.From()) || next.Prev() != w {
				t.Fatalf("%s: %s ends %v, %s begins %v", name, w, w.To(), next, next.From())
			}
			if WeekOf(w.From(), loc) != w || WeekOf(w.From().Add(-time.Second), loc) == w {
				t.Fatalf("%s: %s does not begin at %v", name, w, w.From())
			}
			if h := w.To().Sub(w.From()).Hours(); h < 143 || h > 169 {
				t.Fatalf("%s: %s has %v hours", name, w, h)
			}
			w = next
		}
	}
}

func TestAnyMoment(t *testing.T) {
	draws.Check(t, func(rt *rapid.T) {
		loc := zone(t, rapid.SampledFrom(zones).Draw(rt, "zone"))
		at := time.Unix(rapid.Int64Range(1e9, 2e9).Draw(rt, "at"), 0)
		w := WeekOf(at, loc)
		if at.Before(w.From()) || !at.Before(w.To()) {
			rt.Fatalf("%v is not in %s, %v to %v", at.In(loc), w, w.From(), w.To())
		}
		if back, err := ParseWeek(w.String(), loc); err != nil || back != w {
			rt.Fatalf("%s read back as %s: %v", w, back, err)
		}
	})
}

// TestClockChangeWeeks: a week of 167 and one of 169 hours are told whole, with
// all their mists and nights. In Berlin clocks change on 29 March and 25
// October 2026.
func TestClockChangeWeeks(t *testing.T) {
	for _, c := range []struct {
		week  string
		hours float64
	}{{"2026-W13", 167}, {"2026-W43", 169}, {"2026-W20", 168}} {
		t.Run(c.week, func(t *testing.T) {
			loc := zone(t, "Europe/Berlin")
			w, err := ParseWeek(c.week, loc)
			if err != nil {
				t.Fatal(err)
			}
			if h := w.To().Sub(w.From()).Hours(); h != c.hours {
				t.Fatalf("the week has %v hours, want %v", h, c.hours)
			}
			r := newRig(t, "Europe/Berlin", 1, w.Prev().From())
			r.fill(w.Prev().From(), w.To().Add(time.Hour), map[sensors.ProbeID]weather{"p1": calm(loc)})
			report := r.build(c.week, w.To().Add(24*time.Hour))
			e := report.Enclosures[0]
			near(t, "covered", &e.Covered, c.hours*60, 0)
			near(t, "missing", &e.Missing, 0, 0)
			near(t, "inside the band", e.InBand, 1, 0)
			if e.Mist != (Mist{Due: 14, Seen: 14}) {
				t.Errorf("mist %+v", e.Mist)
			}
			for _, n := range e.Nights {
				near(t, "night to "+n.Morning.Format("Monday"), n.Drop, 4, 0.01)
			}
			said := strings.Contains(strings.Join(report.Unknown, "\n"), fmt.Sprintf("the week had %.0f hours", c.hours))
			if said != (c.hours != 168) {
				t.Errorf("said of the clocks: %v", report.Unknown)
			}
			before := r.build(w.Prev().String(), w.To())
			if warned := strings.Contains(strings.Join(before.Outlook, "\n"), "clocks change"); warned != (c.hours != 168) {
				t.Errorf("outlook of the week before: %v", before.Outlook)
			}
		})
	}
}
