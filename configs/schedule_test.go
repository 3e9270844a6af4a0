package configs

import (
	"slices"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func span(t testing.TB, text string) ClockSpan {
	t.Helper()
	var s ClockSpan
	if err := s.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return s
}

func moment(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// Clock changes: IANA time zone database 2025b. Berlin goes forward at
// 2026-03-29 01:00 UTC and back at 2026-10-25 01:00 UTC; Lord Howe Island by
// half an hour, back at 2026-04-04 15:00 UTC.
func TestLampsFollowTheLocalClock(t *testing.T) {
	for _, x := range []struct {
		span, zone, at string
		on             bool
		next           string
	}{
		{"08:00-20:00", "UTC", "2026-01-10T07:59:59Z", false, "2026-01-10T08:00:00Z"},
		{"08:00-20:00", "UTC", "2026-01-10T08:00:00Z", true, "2026-01-10T20:00:00Z"},
		{"08:00-20:00", "UTC", "2026-01-10T20:00:00Z", false, "2026-01-11T08:00:00Z"},
		{"20:00-08:00", "UTC", "2026-01-10T23:30:00Z", true, "2026-01-11T08:00:00Z"},
		{"20:00-08:00", "UTC", "2026-01-10T07:59:59Z", true, "2026-01-10T08:00:00Z"},
		{"20:00-00:00", "UTC", "2026-01-10T23:59:59Z", true, "2026-01-11T00:00:00Z"},
		// The evening before summer time: on at 08:00 CEST = 06:00 UTC.
		{"08:00-20:00", "Europe/Berlin", "2026-03-28T20:00:00Z", false, "2026-03-29T06:00:00Z"},
		{"08:00-20:00", "Europe/Berlin", "2026-10-24T20:00:00Z", false, "2026-10-25T07:00:00Z"},
		// 02:30 does not exist that night: the clock is past it at 01:00 UTC.
		{"02:30-12:00", "Europe/Berlin", "2026-03-29T00:00:00Z", false, "2026-03-29T01:00:00Z"},
		// 02:30 comes twice: off at the first, on again when the clock goes
		// back, off at the second.
		{"20:00-02:30", "Europe/Berlin", "2026-10-25T00:00:00Z", true, "2026-10-25T00:30:00Z"},
		{"20:00-02:30", "Europe/Berlin", "2026-10-25T00:45:00Z", false, "2026-10-25T01:00:00Z"},
		{"20:00-02:30", "Europe/Berlin", "2026-10-25T01:00:00Z", true, "2026-10-25T01:30:00Z"},
		{"08:00-20:00", "Australia/Lord_Howe", "2026-04-04T12:00:00Z", false, "2026-04-04T21:30:00Z"},
	} {
		l, loc, at := Lamps{On: span(t, x.span)}, zone(t, x.zone), moment(t, x.at)
		if got := l.IsOn(at, loc); got != x.on {
			t.Errorf("%s in %s at %s: on is %v", x.span, x.zone, x.at, got)
		}
		if got := l.NextChange(at, loc); !got.Equal(moment(t, x.next)) {
			t.Errorf("%s in %s after %s: next change %s, want %s", x.span, x.zone, x.at, got.UTC().Format(time.RFC3339), x.next)
		}
	}
}

// The next change is where a walk minute by minute first sees one, in zones
// with whole-hour, half-hour and day-long changes.
func TestNextChangeAgainstAWalk(t *testing.T) {
	starts := map[string]string{
		"Europe/Berlin": "2026-03-27T00:00:00Z", "America/New_York": "2026-10-30T00:00:00Z",
		"Australia/Lord_Howe": "2026-10-01T00:00:00Z", "Pacific/Apia": "2011-12-28T00:00:00Z",
	}
	draws.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(slices.Sorted(keysOf(starts))).Draw(rt, "zone")
		loc := zone(t, name)
		at := moment(t, starts[name]).Add(time.Duration(rapid.IntRange(0, 5*24*60).Draw(rt, "minutes")) * time.Minute)
		from := rapid.IntRange(0, 1439).Draw(rt, "from")
		l := Lamps{On: ClockSpan{ClockTime(from), ClockTime((from + rapid.IntRange(1, 1439).Draw(rt, "length")) % 1440)}}
		want := at.Add(time.Minute)
		for l.IsOn(want, loc) == l.IsOn(at, loc) {
			want = want.Add(time.Minute)
		}
		if got := l.NextChange(at, loc); !got.Equal(want) {
			rt.Fatalf("%s in %s after %s: %s, a walk finds %s", l.On, name, at, got.UTC(), want.UTC())
		}
	})
}

func keysOf(m map[string]string) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func TestMistTimes(t *testing.T) {
	for _, x := range []struct{ zone, at, next string }{
		{"UTC", "2026-01-10T07:59:59Z", "2026-01-10T08:00:00Z"},
		{"UTC", "2026-01-10T08:00:00Z", "2026-01-10T20:00:00Z"},
		{"Europe/Berlin", "2026-03-28T22:00:00Z", "2026-03-29T06:00:00Z"},
	} {
		m, loc := Mist{Times: []ClockTime{20 * 60, 8 * 60}}, zone(t, x.zone)
		if got := m.Next(moment(t, x.at), loc); !got.Equal(moment(t, x.next)) {
			t.Errorf("%s at %s: next %s, want %s", x.zone, x.at, got.UTC(), x.next)
		}
	}
	if got := (Mist{}).Next(moment(t, "2026-01-10T08:00:00Z"), time.UTC); !got.IsZero() {
		t.Errorf("an empty schedule has a next pulse at %s", got)
	}
}

// One pulse a local day even where its time comes twice, as one due twice would be
// missed once; none where the clocks leave its time out, when no timer gives it.
func TestMistOncePerDayOverClockChanges(t *testing.T) {
	for _, x := range []struct {
		zone, from string
		at         ClockTime
		want       []string
	}{
		{"Europe/Berlin", "2026-03-27T12:00:00Z", 2*60 + 30, []string{"2026-03-28T01:30:00Z", "2026-03-30T00:30:00Z"}},
		{"Europe/Berlin", "2026-10-23T12:00:00Z", 2*60 + 30, []string{"2026-10-24T00:30:00Z", "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"}},
		{"America/New_York", "2026-03-07T12:00:00Z", 2*60 + 30, []string{"2026-03-09T06:30:00Z"}},
		{"America/New_York", "2026-10-31T12:00:00Z", 1 * 60, []string{"2026-11-01T05:00:00Z", "2026-11-02T06:00:00Z"}},
		{"Australia/Lord_Howe", "2026-10-03T00:00:00Z", 2*60 + 15, []string{"2026-10-04T15:15:00Z"}},
	} {
		m, loc, at := Mist{Times: []ClockTime{x.at}}, zone(t, x.zone), moment(t, x.from)
		for _, want := range x.want {
			at = m.Next(at, loc)
			if !at.Equal(moment(t, want)) {
				t.Errorf("%s %s: due %s, want %s", x.zone, x.at, at.UTC().Format(time.RFC3339), want)
			}
		}
	}
}
