package rules

import (
	"testing"
	"time"

	"dewline/rules/room"
	"dewline/sensors"
	"dewline/sensors/table"
)

// onDay ticks a new engine for a configuration at a local time and returns the
// limits that it judges the first enclosure by.
func onDay(t *testing.T, text string, wall time.Time, synced bool) EnclosureView {
	t.Helper()
	cfg, err := table.Decode("rig.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	e := New(cfg)
	now := sensors.Instant{Mono: time.Hour, Wall: wall, Synced: synced}
	e.Tick(now)
	low, high, s := room.BandOf(cfg, cfg.Enclosures[0]).At(now)
	v := e.Enclosures()[0]
	if low.Celsius() != v.BandLow || high.Celsius() != v.BandHigh || float64(s.Floor) != v.Floor {
		t.Errorf("%s: the record counts by %v to %v and %v, the rules by %v to %v and %v", wall, low, high, s.Floor, v.BandLow, v.BandHigh, v.Floor)
	}
	return v
}

const auratus = "[room]\ntimezone = \"Pacific/Auckland\"\n[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"a\"\n" +
	"[[enclosure]]\nid = \"a\"\nspecies = \"dendrobates-auratus\"\n"

// Froglets grow while the watch runs: by the local day, and by none without a
// set clock.
func TestFroglets_ByWeeks(t *testing.T) {
	text := auratus + "stage = \"froglet\"\nout_of_water = \"2026-10-01\"\n"
	for _, c := range []struct {
		wall       time.Time
		synced     bool
		floor, act float64
	}{
		{time.Date(2026, 10, 28, 10, 59, 0, 0, time.UTC), true, 80, 27},  // 28 October, 23:59 in Auckland
		{time.Date(2026, 10, 28, 11, 1, 0, 0, time.UTC), true, 75, 27.5}, // four weeks
		{time.Date(2026, 10, 3, 11, 1, 0, 0, time.UTC), false, 75, 27.5}, // nobody knows the day
		{time.Date(2027, 10, 3, 11, 1, 0, 0, time.UTC), true, 75, 28.0},  // a year later
	} {
		if v := onDay(t, text, c.wall, c.synced); v.Floor != c.floor || v.Act != c.act {
			t.Errorf("%s, set %v: floor %v and act %v, want %v and %v", c.wall, c.synced, v.Floor, v.Act, c.floor, c.act)
		}
	}
}

// A season is judged by from its first day on, by the room's clock and not by
// that of the board.
func TestSeason_InForce(t *testing.T) {
	text := auratus + "[[season]]\nid = \"dry\"\nfrom = \"1 Jun\"\nto = \"31 Jul\"\nspecies = [\"dendrobates-auratus\"]\nfloor = \"63 %\"\n"
	for _, c := range []struct {
		wall   time.Time
		synced bool
		floor  float64
	}{
		{time.Date(2026, 5, 31, 11, 59, 0, 0, time.UTC), true, 70}, // 31 May, 23:59 in Auckland
		{time.Date(2026, 5, 31, 12, 1, 0, 0, time.UTC), true, 69},
		{time.Date(2026, 6, 20, 12, 1, 0, 0, time.UTC), true, 63},
		{time.Date(2026, 6, 20, 12, 1, 0, 0, time.UTC), false, 70},
		{time.Date(2026, 8, 20, 12, 1, 0, 0, time.UTC), true, 70},
	} {
		if v := onDay(t, text, c.wall, c.synced); v.Floor != c.floor {
			t.Errorf("%s, set %v: floor %v, want %v", c.wall, c.synced, v.Floor, c.floor)
		}
	}
}
