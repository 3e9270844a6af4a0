package room

import (
	"math"
	"math/rand/v2"
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
		s := rise{Slope: climate.Slope{PerHour: perHour, Sigma: perHour / 10}, lately: perHour, steep: true}
		for name, model := range map[string]climate.Eta{
			"levels off": {Known: true, From: 2 * left, Mid: 3 * left, To: climate.Horizon},
			"no end":     {},
			"too soon":   {Known: true, From: left / 4, Mid: left / 3, To: left / 2},
		} {
			got := straight(model, way, s)
			if !got.Known || got.From > left || got.To < left || got.Mid < got.From {
				t.Errorf("%v °C/h, %s: %+v, want %v inside", perHour, name, got, left)
			}
		}
	}
	if got := straight(climate.Eta{}, way, rise{Slope: climate.Slope{PerHour: 1.6, Sigma: 1}}); got.Known {
		t.Errorf("a rise that may be noise: %+v", got)
	}
}

// all is what lamps take that are at once without effect.
func all(gain float64) func(time.Duration) float64 {
	return func(time.Duration) float64 { return gain }
}

// Lamps that add 2 °C win no more than the rise takes for these, and lamps that are
// not learned win nothing that is said.
func TestExplained_GainByLamps(t *testing.T) {
	won := climate.Eta{Known: true, From: 4 * time.Hour, Mid: 5 * time.Hour, To: climate.Horizon, Open: true}
	if got := explained(won, climate.Eta{}, all(2), climate.Slope{PerHour: 8}); got.To != 15*time.Minute || got.Open {
		t.Errorf("2 °C at 8 °C/h: %+v, want 15 min", got)
	}
	if got := explained(won, climate.Eta{}, all(2), climate.Slope{PerHour: 0.3}); got != won {
		t.Errorf("2 °C at 0.3 °C/h: %+v, want %+v", got, won)
	}
	if got := explained(won, climate.Eta{}, all(0), climate.Slope{PerHour: 1}); got.To != 0 || got.Open {
		t.Errorf("no lamps: %+v", got)
	}
	// 2 °C that go within hours are not gone when the limit is near.
	slowly := func(after time.Duration) float64 { return 2 * (1 - math.Exp(-after.Hours()/2)) }
	got := explained(won, climate.Eta{Known: true, From: 6 * time.Minute, Mid: 12 * time.Minute, To: 30 * time.Minute}, slowly, climate.Slope{PerHour: 8, Sigma: 2})
	for i, d := range []time.Duration{got.From, got.Mid, got.To} {
		left, rate := []float64{0.1, 0.2, 0.5}[i], []float64{10, 8, 8}[i]
		if want := slowly(time.Duration(left*float64(time.Hour))+d) / rate; math.Abs(d.Hours()-want) > 1e-4 {
			t.Errorf("end %d: %v, where as much is gone as %.3f h take", i, d, want)
		}
	}
	if got.To > 4*time.Minute || got.From > time.Minute {
		t.Errorf("%+v at 8 °C/h", got)
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

// A rise that goes straight on is inside of a forecast; where a model knows no end, only
// a steep one is expected.
func TestStraight_AtItsLimits(t *testing.T) {
	known := climate.Eta{Known: true, From: 50 * time.Minute, Mid: 55 * time.Minute, To: 58 * time.Minute}
	wide := climate.Eta{Known: true, From: 50 * time.Minute, Mid: 55 * time.Minute, To: climate.Horizon, Open: true}
	for _, c := range []struct {
		name       string
		t          climate.Eta
		way        float64
		rate, sure float64
		steep      bool
		want       climate.Eta
	}{
		{"an hour to go", known, 2, 2, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: 55 * time.Minute, To: 98 * time.Minute}},
		{"by an unsure rate sooner", known, 2, 2, 0.5, false, climate.Eta{Known: true, From: 36 * time.Minute, Mid: 55 * time.Minute, To: 98 * time.Minute}},
		{"too slow", known, 2, 0.29, 0, false, known},
		{"as slow as it may be", known, 0.3, 0.3, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: 55 * time.Minute, To: 98 * time.Minute}},
		{"no way", known, 0, 2, 0, false, known},
		{"nobody expects it", climate.Eta{}, 2, 2, 0.5, false, climate.Eta{Known: true, From: 36 * time.Minute, Mid: 90 * time.Minute, To: 158 * time.Minute}},
		{"steep", climate.Eta{}, 2, 2, 0.5, true, climate.Eta{Known: true, From: 36 * time.Minute, Mid: 90 * time.Minute, To: 158 * time.Minute}},
		{"three deviations", climate.Eta{}, 2, 2.25, 0.75, false, climate.Eta{Known: true, From: 30 * time.Minute, Mid: 80 * time.Minute, To: 141*time.Minute + 20*time.Second}},
		{"so slow that the rate says little", wide, 2, 0.8, 0, false, climate.Eta{Known: true, From: 2805 * time.Second, Mid: 55 * time.Minute, To: climate.Horizon, Open: true}},
		{"the model knows no end", wide, 1, 1, 0.5, false, climate.Eta{Known: true, From: 30 * time.Minute, Mid: 55 * time.Minute, To: 158 * time.Minute}},
		{"not before the middle", wide, 0.1, 1, 0, false, climate.Eta{Known: true, From: 270 * time.Second, Mid: 55 * time.Minute, To: 55 * time.Minute}},
		{"less sure", climate.Eta{}, 2, 2, 0.67, false, climate.Eta{}},
		{"1.5 °C/h", climate.Eta{}, 1.5, 1.5, 0, false, climate.Eta{Known: true, From: 45 * time.Minute, Mid: 90 * time.Minute, To: 158 * time.Minute}},
		{"less", climate.Eta{}, 1, 1.49, 0, false, climate.Eta{}},
		{"more than an hour", climate.Eta{}, 2.01, 2, 0, false, climate.Eta{}},
	} {
		if got := straight(c.t, c.way, rise{Slope: climate.Slope{PerHour: c.rate, Sigma: c.sure}, shows: 8 * time.Minute, lately: c.rate, steep: c.steep}); (got.From-c.want.From).Abs() > time.Second || got.To != c.want.To || got.Mid != c.want.Mid || got.Open != c.want.Open || got.Known != c.want.Known {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// A rise that nobody explains may level off, one of the room or that the model knows does so
// later.
func TestStraight_OfWhatHasJustBegun(t *testing.T) {
	levels := climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 3 * time.Hour}
	wide := levels
	wide.To, wide.Open = climate.Horizon, true
	for _, c := range []struct {
		name         string
		model        climate.Eta
		lately, room float64 // of a rise by 2 °C/h with 3 °C to go
		to           time.Duration
	}{
		{"for half an hour, as the model has it", levels, 1.6, 0, 143 * time.Minute},
		{"not for half an hour", levels, 1.59, 0, 233 * time.Minute},
		{"the model knows no end", wide, 2, 0, 233 * time.Minute},
		{"but the room drives it", wide, 2, 1.2, 143 * time.Minute},
		{"the room does not", wide, 2, 1.19, 233 * time.Minute},
	} {
		got := straight(c.model, 3, rise{Slope: climate.Slope{PerHour: 2}, shows: 8 * time.Minute, lately: c.lately, room: c.room})
		if got.To != c.to || got.Open != (c.to == climate.Horizon) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	for lately, want := range map[float64][2]time.Duration{6.4: {1350 * time.Second, 2 * time.Hour}, 6.3: {900 * time.Second, 2 * time.Hour}} {
		got := straight(levels, 4, rise{Slope: climate.Slope{PerHour: 8}, shows: 8 * time.Minute, lately: lately, steep: true})
		if got.From != want[0] || got.To != want[1] {
			t.Errorf("steep, %v °C/h in half an hour: %+v, want %v", lately, got, want)
		}
	}
}

// A source that heats and rests by turns leaves the air where it is read, not where its
// last rise led to.
func TestForetell_OfWhatHeatsByTurns(t *testing.T) {
	m, trend := climate.NewThermal(91), climate.Trend{}
	var now time.Duration
	celsius := 26.0
	for minute := range 34 {
		switch {
		case minute >= 31:
			celsius -= 0.4
		case minute >= 15:
			celsius += 0.2
		}
		now = time.Duration(minute) * time.Minute
		m.Observe(climate.ThermalReading{At: now, Air: celsius, Hour: -1})
		trend.Observe(now, celsius)
	}
	slope, ok := trend.Slope()
	led, _ := trend.Now(now)
	if !ok || led < celsius+1 {
		t.Fatalf("the rise led to %.1f °C, it is %.1f °C: nothing to hold back", led, celsius)
	}
	o := climate.Outlook{At: now, Air: celsius, Noise: trend.Blur(), Trend: slope, HasTrend: true, Lethal: 30}
	if got := foretell(m, &trend, &o, false).ToLethal; !got.Known || got.From < 4*time.Minute {
		t.Errorf("%.1f °C under the limit: %+v", 30-celsius, got)
	}
}

// A rise that slows down before it gets there has no end that is told; one that slows
// down on the way takes as long as that says.
func TestStraight_OfWhatSlowsDown(t *testing.T) {
	levels := climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 3 * time.Hour}
	for _, c := range []struct {
		name    string
		ends    climate.Bend
		mid, to time.Duration // of a rise by 4 °C/h with 2 °C to go
	}{
		{"straight on", climate.Bend{}, 45 * time.Minute, 2 * time.Hour},
		{"ends below", climate.Bend{More: 1.9, Tau: 0.5}, 2 * time.Hour, climate.Horizon},
		{"ends above", climate.Bend{More: 4, Least: 4, Tau: 0.5}, 45 * time.Minute, 2 * time.Hour},
		{"perhaps below", climate.Bend{More: 4, Least: 1.9, Tau: 0.5}, 45 * time.Minute, climate.Horizon},
		{"just above", climate.Bend{More: 2.01, Least: 2.01, Tau: 0.5}, 45 * time.Minute, 167 * time.Minute},
	} {
		got := straight(levels, 2, rise{Slope: climate.Slope{PerHour: 4}, shows: 8 * time.Minute, lately: 4, ends: c.ends})
		if got.Mid != c.mid || got.To.Round(time.Minute) != c.to || got.Open != (c.to == climate.Horizon) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// A rise that has held for half an hour wakes in time though it is not steep and no model
// knows what drives it, also where the probe counts in halves of a degree; one that a model
// explains, or that has only begun, is left to the model.
func TestStraight_WakesForWhatNobodyExplains(t *testing.T) {
	late := climate.Eta{Known: true, From: time.Hour, Mid: 3 * time.Hour, To: 5 * time.Hour}
	held := rise{Slope: climate.Slope{PerHour: 3.75, Sigma: 0.64}, lately: 3}
	explained, young, slow := held, held, held
	explained.known, young.lately, slow.PerHour = 2.3, 2.9, 1.9
	for name, c := range map[string]struct {
		rise
		mid time.Duration
	}{"held": {held, 36 * time.Minute}, "explained": {explained, 3 * time.Hour}, "begun": {young, 3 * time.Hour}, "slow": {slow, 3 * time.Hour}} {
		if got := straight(late, 1.5, c.rise); got.Mid.Round(time.Minute) != c.mid {
			t.Errorf("%s: %+v", name, got)
		}
	}
	if got := straight(climate.Eta{}, 1.5, held); got.Mid.Round(time.Minute) != 36*time.Minute {
		t.Errorf("no model: %+v", got)
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
		{2, 1, climate.Eta{Known: true, From: time.Hour, Mid: 2 * time.Hour, To: 2 * time.Hour}},
		{1, 1, climate.Eta{Known: true, From: time.Hour, Mid: time.Hour, To: time.Hour}},
		{0.5, 1, climate.Eta{Known: true, From: 30 * time.Minute, Mid: 30 * time.Minute, To: 30 * time.Minute}},
		{100, 1, won}, {0, 1, climate.Eta{Known: true}}, {1, 0, climate.Eta{}},
	} {
		if got := explained(won, climate.Eta{}, all(c.gain), climate.Slope{PerHour: c.rate}); got != c.want {
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

// A probe that counts in halves of a degree, or whose readings stray by as much, shows a
// slow rise all the time once it was seen for long enough, and a new one at once.
func TestRise_OfCoarseAndNoisyReadings(t *testing.T) {
	for _, c := range []struct{ step, noise float64 }{{0.5, 0}, {0.01, 0.3}} {
		rng := rand.New(rand.NewPCG(3, 3))
		var en Enclosure
		en.St.Thermal = climate.NewThermal(100)
		observe := func(at time.Duration, v float64) {
			v = math.Round((v+c.noise*rng.NormFloat64())/c.step) * c.step
			en.St.Trend.Observe(at, v)
			en.St.Thermal.Observe(climate.ThermalReading{At: at, Air: v, Noise: en.St.Trend.Noise(), Hour: -1})
		}
		at := time.Duration(0)
		for ; at < 4*time.Hour; at += time.Minute {
			observe(at, 24+at.Hours())
			if at < 2*time.Hour {
				continue
			}
			if s, _, ok := en.Rise(); !ok || s.PerHour < 0.4 || s.PerHour > 1.6 || !s.Rises(Climbs) {
				t.Errorf("%v: %+v of 1 °C/h after %v", c, s, at)
			}
		}
		for from := at; at < from+20*time.Minute; at += time.Minute {
			observe(at, 28+8*(at-from).Hours())
		}
		if s, _, _ := en.Rise(); s.PerHour < 5 {
			t.Errorf("%v: %+v of 8 °C/h", c, s)
		}
	}
}

// A steep rate is that of some minutes, and its end is late by the readings that show it;
// one of half an hour may have slowed down meanwhile.
func TestForetell_WaitsForReadings(t *testing.T) {
	for _, c := range []struct {
		perHour float64
		every   time.Duration
		late    time.Duration // behind what the model knows drives it
	}{
		{15, 10 * time.Second, 80 * time.Second},
		{15, 4 * time.Minute, 9 * time.Minute},
		{3, 10 * time.Second, 7 * time.Minute},
		{3, 4 * time.Minute, 9 * time.Minute},
	} {
		m, en := climate.NewThermal(90), Enclosure{}
		const hours, lethal = 0.75, 30.0
		at, celsius := time.Duration(0), 0.0
		for ; at.Hours() < hours; at += c.every {
			celsius = lethal - 1.5 + c.perHour*(at.Hours()-hours)
			m.Observe(climate.ThermalReading{At: at, Air: celsius, Hour: -1})
			en.St.Trend.Observe(at, celsius)
		}
		en.St.Thermal = m
		slope, steep, ok := en.Rise()
		o := climate.Outlook{At: at, Air: celsius, Trend: slope, HasTrend: true, Lethal: lethal, Every: c.every}
		got := foretell(m, &en.St.Trend, &o, steep).ToLethal
		want := time.Duration(straightLate*float64(takes(lethal-celsius, slope.PerHour))) + c.late
		if !ok || (got.To-want).Abs() > 2*time.Minute {
			t.Errorf("%v °C/h read each %v: %+v, want an end at %v", c.perHour, c.every, got, want)
		}
	}
}
