package sensors

import (
	"encoding/json"
	"testing"
	"time"
)

// uncertainty is what a family states of a raw sample.
func uncertainty(family string, s Sample, a Applied, age Ageing, at time.Time) Stated {
	_, h := a.Apply(s)
	limits := limitsOf(family)
	return (&limits.Accuracy).state(h, a, age, at)
}

// "+3 %RH after 60 h at > 80 %RH, recovers slowly by itself" (SHT3x-DIS v7): a
// soaked probe reads too high, so only the lower side widens.
func TestUncertaintySoakedProbeWidensDownwardsOnly(t *testing.T) {
	s := climate(24, 95)
	var a Ageing
	soak := func(from, to time.Duration, rh CentiPercent) {
		for m := from; m <= to; m += time.Minute {
			a.Observe(m, rh)
		}
	}
	fresh := uncertainty("sht3x", s, Applied{}, a, day(1))
	soak(0, 30*time.Hour, 9500)
	half := uncertainty("sht3x", s, Applied{}, a, day(1))
	soak(30*time.Hour, 200*time.Hour, 9500)
	full := uncertainty("sht3x", s, Applied{}, a, day(1))
	if got := half.HumidityBelow - fresh.HumidityBelow; got != 150 {
		t.Errorf("after 30 h wet: %s more, want 1.50 %%", got)
	}
	if got := full.HumidityBelow - fresh.HumidityBelow; got != 300 {
		t.Errorf("after 200 h wet: %s more, want 3.00 %%", got)
	}
	if full.HumidityAbove != fresh.HumidityAbove || full.Temperature != fresh.Temperature {
		t.Errorf("other sides changed: %+v, fresh %+v", full, fresh)
	}
	soak(200*time.Hour, 260*time.Hour, 6000)
	if a.Soaked != 30*time.Hour {
		t.Errorf("60 h dry leave %s soaked, want 30h", a.Soaked)
	}
	soak(260*time.Hour, 400*time.Hour, 8000) // 80 % itself is not above
	if a.Soaked != 0 {
		t.Errorf("dry for days and still %s soaked", a.Soaked)
	}
}

func TestAgeingGoesOnAcrossARestart(t *testing.T) {
	j := NewJudge("x", limitsOf("sht4x"))
	for s := 0.0; s <= 36000; s += 10 {
		j.Read(at(s), climate(24, 95), nil)
	}
	text, err := json.Marshal(j.Ageing())
	if err != nil {
		t.Fatal(err)
	}
	var a Ageing
	if err := json.Unmarshal(text, &a); err != nil {
		t.Fatal(err)
	}
	k := NewJudge("x", limitsOf("sht4x"))
	k.Resume(a)
	r := k.Read(at(36010), climate(24, 95), nil)
	if got, want := k.Ageing().Soaked, 36010*time.Second; got != want {
		t.Errorf("soaked %s, want %s", got, want)
	}
	if r.Uncertainty.HumidityBelow-r.Uncertainty.HumidityAbove != 50 { // 3 × 10/60
		t.Errorf("stated %+v", r.Uncertainty)
	}
}

func TestAgeingIgnoresTimeBeforeTheFirstObservationAndBackwards(t *testing.T) {
	var a Ageing
	a.Observe(500*time.Hour, 9500)
	if a.Soaked != 0 {
		t.Errorf("the first observation counts as %s", a.Soaked)
	}
	a.Observe(400*time.Hour, 9500)
	if a.Soaked != 0 || a.Last != 500*time.Hour {
		t.Errorf("going back: %+v", a)
	}
}

func TestUncertaintyOfACalibratedProbe(t *testing.T) {
	one := &Correction{From: day(1), Gain: 1, Offset: -2, Uncertainty: 1,
		Points: []Point{{Reference: 75.3}}}
	two := &Correction{From: day(1), Gain: 1, Offset: -2, Uncertainty: 1,
		Points: []Point{{Reference: 75.3}, {Reference: 97.3}}}
	state := func(c *Correction, h float64, at time.Time) CentiPercent {
		return uncertainty("sht3x", climate(24, h+2), Applied{Humidity: c}, Ageing{}, at).HumidityAbove
	}
	none := uncertainty("sht3x", climate(24, 95), Applied{}, Ageing{}, day(1)).HumidityAbove
	atPoint, far := state(one, 75.3, day(1)), state(one, 95.3, day(1))
	if atPoint != 128 { // sqrt(1² + 0.8²)
		t.Errorf("at its point: %s, want 1.28 %%", atPoint)
	}
	if far != 162 { // sqrt(1² + (0.05 × 20)² + 0.8²)
		t.Errorf("20 %%RH away from the only point: %s, want 1.62 %%", far)
	}
	if between := state(two, 90, day(1)); between != 128 || between >= none {
		t.Errorf("between two points: %s, uncalibrated %s", between, none)
	}
	if below := state(two, 64.3, day(1)); below != 162 { // sqrt(1² + (2 × 1 × 11/22)² + 0.8²)
		t.Errorf("11 %%RH below two points: %s, want 1.62 %%", below)
	}
	old := state(two, 90, day(1).AddDate(4, 0, 0))
	if old != 162 { // sqrt(1² + (0.25 × 4)² + 0.8²)
		t.Errorf("after four years: %s, want 1.62 %%", old)
	}
}

func TestUncertaintyOfACalibratedTemperature(t *testing.T) {
	ice := &Correction{From: day(1), Gain: 1, Offset: 0.3, Uncertainty: 0.15}
	if got := uncertainty("ds18b20", warm(24), Applied{Temperature: ice}, Ageing{}, day(1)).Temperature; got != 15 {
		t.Errorf("fresh from the ice: %s, want 0.15 °C", got)
	}
	// sqrt(0.15² + (0.1 × 2)²)
	if got := uncertainty("ds18b20", warm(24), Applied{Temperature: ice}, Ageing{}, day(1).AddDate(2, 0, 0)).Temperature; got != 25 {
		t.Errorf("two years later: %s, want 0.25 °C", got)
	}
}
