package climate

import (
	"math"
	"testing"
)

// Wet bulbs of the breeding notes, section 10, computed there from the
// psychrometric equation; for 20 °C and 50 % Stull 2011, J. Appl. Meteor.
// Climatol. 50, 2267, gives 13.7 °C with an error of -1.0 to +0.65 °C.
func TestWetBulbOfBlownAir(t *testing.T) {
	for _, c := range []struct{ t, rh, wet float64 }{{33.5, 85, 31.21}, {33.5, 25, 19.22}, {30, 40, 20.06}, {30, 80, 27.09}, {20, 50, 13.78}} {
		got, err := WetBulb(c.t, c.rh, StandardPressure)
		if err != nil || math.Abs(got-c.wet) > 0.02 {
			t.Errorf("%g °C, %g %%: wet bulb %.3f °C, want %.2f; %v", c.t, c.rh, got, c.wet, err)
		}
	}
	stull, _ := WetBulb(20, 50, StandardPressure)
	if d := 13.7 - stull; d < -1.0 || d > 0.65 {
		t.Errorf("%.2f °C, Stull gives 13.7 °C", stull)
	}
}

// At least 3 °C under the enclosure it cools, within 1 °C of it or above it does
// not, between both have a risk (breeding notes, section 10).
func TestBlownIn(t *testing.T) {
	at := func(celsius, rh float64) *float64 {
		wet, err := WetBulb(celsius, rh, StandardPressure)
		if err != nil {
			t.Fatal(err)
		}
		return &wet
	}
	exact := func(v float64) *float64 { return &v }
	for name, c := range map[string]struct {
		wet  *float64
		air  float64
		want Blow
	}{
		"a dry heat wave":       {at(33.5, 25), 30, BlowVent},
		"a sultry heat wave":    {at(33.5, 85), 30, BlowShut},
		"sultry, a tank at 31":  {at(33.5, 85), 31, BlowShut},
		"a warm wet room":       {at(30, 80), 29, BlowEither},
		"just enough":           {exact(27), 30, BlowVent},
		"just not enough":       {exact(27.01), 30, BlowEither},
		"just more than shut":   {exact(28.99), 30, BlowEither},
		"just shut":             {exact(29), 30, BlowShut},
		"warmer than the tank":  {exact(33), 30, BlowShut},
		"humidity not known":    {nil, 30, BlowUnknown},
		"temperature not known": {exact(20), math.NaN(), BlowUnknown},
	} {
		if got := BlownIn(c.wet, c.air); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
	if from := VentsFrom(26); BlownIn(exact(26), from) != BlowVent || BlownIn(exact(26), from-0.01) == BlowVent {
		t.Errorf("vents from %g °C", from)
	}
}
