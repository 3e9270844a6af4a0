package chart

import (
	"strings"
	"testing"
	"time"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

func labels(ticks []tick) string {
	var out []string
	for _, k := range ticks {
		text := k.label
		if k.under != "" {
			text += "/" + k.under
		}
		out = append(out, text)
	}
	return strings.Join(out, " ")
}

// In Europe/Berlin the clocks went forward on 29 March 2026 at 02:00 and back
// on 25 October 2026 at 03:00 (tz database 2025b). Lord Howe Island moves by
// half an hour, Kathmandu stands at +05:45.
func TestTicksOverClockChanges(t *testing.T) {
	for _, c := range []struct {
		zone     string
		from, to time.Time
		width    float64
		want     string
	}{
		{"Europe/Berlin", time.Date(2026, 3, 28, 23, 0, 0, 0, time.UTC), time.Date(2026, 3, 29, 5, 0, 0, 0, time.UTC), 700,
			"00:00/Sun 29 Mar 01:00 03:00 04:00 05:00 06:00 07:00"},
		{"Europe/Berlin", time.Date(2026, 10, 24, 22, 0, 0, 0, time.UTC), time.Date(2026, 10, 25, 5, 0, 0, 0, time.UTC), 700,
			"00:00/Sun 25 Oct 01:00 02:00 03:00 04:00 05:00 06:00"},
		{"Europe/Berlin", time.Date(2026, 3, 27, 23, 0, 0, 0, time.UTC), time.Date(2026, 3, 30, 22, 0, 0, 0, time.UTC), 360,
			"00:00/Sat 28 Mar 12:00 00:00/Sun 29 Mar 12:00 00:00/Mon 30 Mar 12:00 00:00/Tue 31 Mar"},
		{"Europe/Berlin", time.Date(2026, 10, 22, 22, 0, 0, 0, time.UTC), time.Date(2026, 10, 28, 23, 0, 0, 0, time.UTC), 700,
			"Fri 23/October 2026 Sat 24 Sun 25 Mon 26 Tue 27 Wed 28 Thu 29"},
		{"Australia/Lord_Howe", time.Date(2026, 4, 4, 10, 0, 0, 0, time.UTC), time.Date(2026, 4, 4, 22, 0, 0, 0, time.UTC), 300,
			"22:00/Sat 4 Apr 00:00/Sun 5 Apr 02:00 04:00 06:00 08:00"},
		{"Asia/Kathmandu", time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC), 300,
			"06:00/Wed 1 Jul 08:00 10:00 12:00 14:00 16:00"},
		{"Europe/Berlin", time.Date(2025, 12, 31, 23, 0, 0, 0, time.UTC), time.Date(2026, 12, 31, 23, 0, 0, 0, time.UTC), 700,
			"Jan/2026 Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec Jan/2027"},
		{"UTC", time.Date(2026, 6, 17, 0, 0, 0, 0, time.UTC), time.Date(2026, 7, 17, 0, 0, 0, 0, time.UTC), 324,
			"22 Jun/2026 29 Jun 6 Jul 13 Jul"},
	} {
		got := labels(ticksOf(c.from, c.to, zone(t, c.zone), c.width, 11))
		if got != c.want {
			t.Errorf("%s from %s:\ngot  %s\nwant %s", c.zone, c.from, got, c.want)
		}
	}
}

// Whatever the zone, the span and the width: there are some ticks and not too
// many, they come in order and lie inside.
func TestTicksAreFewAndInOrder(t *testing.T) {
	for _, name := range []string{"UTC", "Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "Africa/Casablanca", "Pacific/Apia"} {
		loc := zone(t, name)
		for _, length := range []time.Duration{2 * time.Hour, 24 * time.Hour, 50 * time.Hour, 7 * day, 31 * day, 100 * day, 366 * day, 3000 * day} {
			for start := range 40 {
				from := time.Date(2026, 1, 1+start*9, 7, 13, 0, 0, time.UTC)
				for _, width := range []float64{320, 400, 700} {
					ticks := ticksOf(from, from.Add(length), loc, width, 11)
					if n := float64(len(ticks)); length >= 24*time.Hour && (n < 2 || n > width/30) {
						t.Fatalf("%s %s from %s: %g ticks at %g px", name, length, from, n, width)
					}
					for i, k := range ticks {
						if k.at.Before(from) || k.at.After(from.Add(length)) {
							t.Fatalf("%s: tick at %s outside", name, k.at)
						}
						if i > 0 && !k.at.After(ticks[i-1].at) {
							t.Fatalf("%s: ticks out of order at %s", name, k.at)
						}
					}
				}
			}
		}
	}
}

func FuzzTicks(f *testing.F) {
	f.Add(int64(1_770_000_000), int64(86400), 320.0)
	f.Add(int64(-1), int64(1), 0.0)
	loc := zone(f, "Europe/Berlin")
	f.Fuzz(func(t *testing.T, from, length int64, width float64) {
		from %= 4_000_000_000
		length %= 400_000_000
		ticks := ticksOf(time.Unix(from, 0), time.Unix(from+length, 0), loc, width, 11)
		for i := 1; i < len(ticks); i++ {
			if !ticks[i].at.After(ticks[i-1].at) {
				t.Fatalf("out of order: %v", labels(ticks))
			}
		}
	})
}
