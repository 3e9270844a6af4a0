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
		{"one has just been", 30 * min, 5 * time.Hour, 28 * min, 80 * min},
		{"one was long ago", 2 * time.Hour, 5 * time.Hour, 40 * min, 80 * min},
		{"one is due", 0, 50 * min, 40 * min, 104 * min},
		{"one is due later", 0, 81 * min, 40 * min, 80 * min},
		{"both", 30 * min, 50 * min, 28 * min, 104 * min},
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
			got := straight(model, way, s, true)
			if !got.Known || got.From > left || got.To < left || got.Mid < got.From || got.Mid > got.To {
				t.Errorf("%v °C/h, %s: %+v, want %v inside", perHour, name, got, left)
			}
		}
	}
	if got := straight(climate.Eta{}, way, climate.Slope{PerHour: 1.6, Sigma: 1}, false); got.Known {
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
