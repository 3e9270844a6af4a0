package room

import (
	"testing"
	"time"

	"dewline/rules/climate"
	"dewline/sensors"
)

// A range gets wider to the early side after a mist and to the late side before
// one, by what 0.4 and 0.8 °C take at the rate ahead.
func TestForecast_AllowsForMist(t *testing.T) {
	now := sensors.Instant{Mono: 10 * time.Hour, Wall: time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC), Synced: true}
	min := time.Minute
	for _, c := range []struct {
		name     string
		pulse    time.Duration // ago; 0 for none
		next     time.Duration // from now
		from, to time.Duration
	}{
		{"no mist", 0, 5 * time.Hour, 40 * min, 80 * min},
		{"one has just been", 30 * min, 5 * time.Hour, 32 * min, 80 * min},
		{"one was long ago", 2 * time.Hour, 5 * time.Hour, 40 * min, 80 * min},
		{"one is due", 0, 50 * min, 40 * min, 104 * min},
		{"one is due later", 0, 81 * min, 40 * min, 80 * min},
		{"both", 30 * min, 50 * min, 32 * min, 104 * min},
	} {
		v := &View{Mists: make([]Mist, 1)}
		en := &Enclosure{}
		if c.pulse > 0 {
			en.St.HasPulse, en.St.PulseAt = true, now.Mono-c.pulse
		}
		v.Mists[0].St.Next = now.Wall.Add(c.next)
		eta := climate.Eta{Known: true, From: 40 * min, Mid: 60 * min, To: 80 * min}
		v.allowForMist(en, &eta, 2, now) // 2 °C in an hour
		if eta.From.Round(time.Second) != c.from || eta.To.Round(time.Second) != c.to || eta.Mid != 60*min {
			t.Errorf("%s: %v to %v", c.name, eta.From, eta.To)
		}
	}
}

// A rise that goes straight on is inside of the range at 8, 15 and 30 °C an hour,
// also where the model expects it to level off or knows no end of it.
func TestStraight_HoldsASteadyRise(t *testing.T) {
	const way = 2.0
	for _, perHour := range []float64{3, 8, 15, 30} {
		left := time.Duration(way / perHour * float64(time.Hour))
		s := climate.Slope{PerHour: perHour, Sigma: perHour / 10}
		for name, model := range map[string]climate.Eta{
			"levels off": {Known: true, From: 2 * left, Mid: 3 * left, To: climate.Horizon},
			"no end":     {},
			"too soon":   {Known: true, From: left / 4, Mid: left / 3, To: left / 2},
		} {
			got := straight(model, way, 0, s, perHour, true, true)
			if !got.Known || got.From > left || got.To < left || got.Mid < got.From || got.Mid > got.To {
				t.Errorf("%v °C/h, %s: %+v, want %v inside", perHour, name, got, left)
			}
		}
	}
	if got := straight(climate.Eta{}, way, 0, climate.Slope{PerHour: 1.6, Sigma: 1}, 0, false, true); got.Known {
		t.Errorf("a rise that may be noise: %+v", got)
	}
}

// Lamps that add 2 °C win no more than the rise takes for these, and lamps that are
// not learned win nothing that is said.
func TestExplained_GainByLamps(t *testing.T) {
	all := climate.Eta{Known: true, From: 4 * time.Hour, Mid: 5 * time.Hour, To: climate.Horizon, Open: true}
	if got := explained(all, 2, climate.Slope{PerHour: 8}); got.To != 15*time.Minute || got.Open {
		t.Errorf("2 °C at 8 °C/h: %+v, want 15 min", got)
	}
	if got := explained(all, 2, climate.Slope{PerHour: 0.3}); got != all {
		t.Errorf("2 °C at 0.3 °C/h: %+v, want %+v", got, all)
	}
	if got := explained(all, 0, climate.Slope{PerHour: 1}); got.Known {
		t.Errorf("no lamps: %+v", got)
	}
}

// Forecasts are told in whole minutes; less than five that lamps win are no word.
func TestRange_InMinutes(t *testing.T) {
	eta := func(from, to time.Duration) climate.Eta { return climate.Eta{Known: true, From: from, To: to} }
	if r := RangeOf(eta(89*time.Second, 150*time.Second)); r.FromMinutes != 1 || r.ToMinutes != 3 {
		t.Errorf("%+v", r)
	}
	if RangeOf(climate.Eta{}) != nil || GainOf(climate.Eta{}) != nil {
		t.Error("nothing is said of what is not known")
	}
	if GainOf(eta(0, 5*time.Minute)) == nil || GainOf(eta(0, 4*time.Minute)) != nil {
		t.Error("five minutes are worth a word, four are not")
	}
}

// A steady rise bounds what a forecast from priors leaves open, where it is soon there
// and surely one.
func TestNarrowed_AtItsLimits(t *testing.T) {
	wide := climate.Eta{Known: true, From: 20 * time.Minute, Mid: 40 * time.Minute, To: climate.Horizon, Open: true}
	for _, c := range []struct {
		name       string
		way        float64
		rate, sure float64
		want       time.Duration // of the late end
	}{
		{"an hour at this rate", 2, 2, 0.1, 2 * time.Hour},
		{"75 min", 2.5, 2, 0.1, 150 * time.Minute},
		{"more", 2.6, 2, 0.1, climate.Horizon},
		{"a quarter of it unsure", 2, 2, 0.5, 2 * time.Hour},
		{"more unsure", 2, 2, 0.51, climate.Horizon},
		{"as slow as it may be", 0.3, 0.3, 0, 2 * time.Hour},
		{"slower", 0.25, 0.29, 0, climate.Horizon},
		{"no way to go", 0, 2, 0.1, climate.Horizon},
		{"soon: not before the middle and a quarter", 0.1, 2, 0.1, 50 * time.Minute},
	} {
		got := narrowed(wide, c.way, climate.Slope{PerHour: c.rate, Sigma: c.sure})
		if got.To != c.want || got.Open != (c.want == climate.Horizon) || got.From != wide.From || got.Mid != wide.Mid {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	sure := climate.Eta{Known: true, From: 20 * time.Minute, Mid: 40 * time.Minute, To: 60 * time.Minute}
	if got := narrowed(sure, 2, climate.Slope{PerHour: 2}); got != sure {
		t.Errorf("a range that is narrower: %+v", got)
	}
}

// A rise that goes straight on is inside of a forecast; where a model knows no end, only
// a steep one is expected.
func TestStraight_AtItsLimits(t *testing.T) {
	known := climate.Eta{Known: true, From: 50 * time.Minute, Mid: 55 * time.Minute, To: 58 * time.Minute}
	for _, c := range []struct {
		name       string
		t          climate.Eta
		way        float64
		rate, sure float64
		steep      bool
		want       climate.Eta
	}{
		{"an hour to go", known, 2, 2, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: 55 * time.Minute, To: 125 * time.Minute}},
		{"by an unsure rate sooner", known, 2, 2, 0.5, false, climate.Eta{Known: true, From: 36 * time.Minute, Mid: 55 * time.Minute, To: 125 * time.Minute}},
		{"too slow", known, 2, 0.29, 0, false, known},
		{"as slow as it may be", known, 0.3, 0.3, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: 55 * time.Minute, To: 125 * time.Minute}},
		{"no way", known, 0, 2, 0, false, known},
		{"nobody expects it", climate.Eta{}, 2, 2, 0.5, false, climate.Eta{Known: true, From: 36 * time.Minute, Mid: climate.Horizon, To: climate.Horizon, Open: true}},
		{"steep", climate.Eta{}, 2, 2, 0.5, true, climate.Eta{Known: true, From: 36 * time.Minute, Mid: 90 * time.Minute, To: climate.Horizon, Open: true}},
		{"three deviations", climate.Eta{}, 2, 2.25, 0.75, false, climate.Eta{Known: true, From: 30 * time.Minute, Mid: climate.Horizon, To: climate.Horizon, Open: true}},
		{"less sure", climate.Eta{}, 2, 2, 0.67, false, climate.Eta{}},
		{"1.5 °C/h", climate.Eta{}, 1.5, 1.5, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: climate.Horizon, To: climate.Horizon, Open: true}},
		{"less", climate.Eta{}, 1, 1.49, 0, false, climate.Eta{}},
		{"more than an hour", climate.Eta{}, 2.01, 2, 0, false, climate.Eta{}},
	} {
		if got := straight(c.t, c.way, 0, climate.Slope{PerHour: c.rate, Sigma: c.sure}, c.rate, c.steep, true); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// A rise that has just begun, or of which no model knows, may end before it gets there,
// and a probe that only begins to show it may show a steeper one yet.
func TestStraight_OfWhatHasJustBegun(t *testing.T) {
	levels := climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 3 * time.Hour}
	for _, c := range []struct {
		name        string
		way, lately float64 // of a rise by 8 °C/h
		steep       bool
		from        time.Duration
		open        bool
	}{
		{"for half an hour", 4, 8, true, 1350 * time.Second, false},
		{"for less", 4, 6.3, true, 15 * time.Minute, true},
		{"for less, and came further than it has to go", 3, 6.3, true, 675 * time.Second, false},
		{"for less, and is not steep", 4, 6.3, false, 1350 * time.Second, true},
	} {
		got := straight(levels, c.way, 0, climate.Slope{PerHour: 8}, c.lately, c.steep, true)
		if got.From != c.from || got.Open != c.open || got.Open != (got.To == climate.Horizon) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	soon := climate.Eta{Known: true, From: time.Minute, Mid: 2 * time.Minute, To: 3 * time.Minute}
	for way, late := range map[float64]time.Duration{4.1: 3, 4: 2} {
		got := straight(soon, way, 0, climate.Slope{PerHour: 8}, 8, true, false)
		if want := late*time.Duration(way/8*float64(time.Hour)) + straightLooks; (got.To-want).Abs() > time.Second || got.Open {
			t.Errorf("%v °C to go, not learned: %+v, want %v", way, got, want)
		}
	}
}

// Lamps win no more than their warmth explains, and nothing is said of lamps that are not
// known.
func TestExplained_AtItsLimits(t *testing.T) {
	won := climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 3 * time.Hour, Open: true}
	for _, c := range []struct {
		gain, rate float64
		want       climate.Eta
	}{
		{2, 1, climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 2 * time.Hour, Open: true}},
		{1, 1, climate.Eta{Known: true, From: time.Hour, Mid: time.Hour, To: time.Hour, Open: true}},
		{0.5, 1, climate.Eta{Known: true, From: 30 * time.Minute, Mid: 30 * time.Minute, To: 30 * time.Minute}},
		{100, 1, won}, {0, 1, climate.Eta{}}, {1, 0, climate.Eta{}},
	} {
		if got := explained(won, c.gain, climate.Slope{PerHour: c.rate}); got != c.want {
			t.Errorf("%v °C at %v °C/h: %+v", c.gain, c.rate, got)
		}
	}
}

// After a mist the early end is earlier, before one that is due the late end later.
func TestAllowForMist_AtItsLimits(t *testing.T) {
	base := climate.Eta{Known: true, From: 60 * time.Minute, Mid: 2 * time.Hour, To: 3 * time.Hour} // an hour for each degree
	now := sensors.Instant{Mono: 10 * time.Hour, Wall: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC), Synced: true}
	for _, c := range []struct {
		name   string
		ago    time.Duration // of a mist
		due    time.Duration // until the next; 0 for none
		t      climate.Eta
		synced bool
		from   time.Duration
		to     time.Duration
		open   bool
	}{
		{"nothing", 5 * time.Hour, 0, base, true, time.Hour, 3 * time.Hour, false},
		{"just after", mistFades - 1, 0, base, true, 48 * time.Minute, 3 * time.Hour, false},
		{"just after, and it is far", 0, 0, climate.Eta{Known: true, From: 20 * time.Minute, Mid: 2 * time.Hour, To: 3 * time.Hour}, true, 16 * time.Minute, 3 * time.Hour, false},
		{"faded", mistFades, 0, base, true, time.Hour, 3 * time.Hour, false},
		{"one is due", 5 * time.Hour, 3*time.Hour - 1, base, true, time.Hour, 3*time.Hour + 48*time.Minute, false},
		{"after that", 5 * time.Hour, 3 * time.Hour, base, true, time.Hour, 3 * time.Hour, false},
		{"nobody knows the time", 5 * time.Hour, time.Hour, base, false, time.Hour, 3 * time.Hour, false},
		{"to the horizon", 5 * time.Hour, time.Hour, climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 312 * time.Minute}, true, time.Hour, climate.Horizon, true},
		{"there already", 0, time.Hour, climate.Eta{Known: true}, true, 0, 0, false},
		{"open", 0, time.Hour, climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: climate.Horizon, Open: true}, true, 48 * time.Minute, climate.Horizon, true},
	} {
		v := &View{Mists: []Mist{{}}}
		en := &Enclosure{}
		en.St.HasPulse, en.St.PulseAt = true, now.Mono-c.ago
		if c.due > 0 {
			v.Mists[0].St.Next = now.Wall.Add(c.due)
		}
		now.Synced = c.synced
		got := c.t
		if v.allowForMist(en, &got, 2, now); got.From != c.from || got.To != c.to || got.Open != c.open {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}
