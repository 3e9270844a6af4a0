package unit

import (
	"math"
	"testing"
)

// Fixed points: melting ice, boiling water (nominal), the point where both
// scales agree, and a body's 37 °C: NIST Special Publication 811 (2008),
// appendix B.8, t/°F = 1.8 t/°C + 32; a difference of 1 °C is one of 1.8 °F.
func TestFixedPoints(t *testing.T) {
	for _, c := range []struct{ celsius, fahrenheit, delta float64 }{
		{0, 32, 0}, {100, 212, 180}, {-40, -40, -72}, {37, 98.6, 66.6}, {30, 86, 54}, {0.5, 32.9, 0.9},
	} {
		if got := Temperature(c.celsius).In(Fahrenheit); math.Abs(got-c.fahrenheit) > 1e-12 {
			t.Errorf("%g °C is %g °F, not %g", c.celsius, got, c.fahrenheit)
		}
		if got := TemperatureDelta(c.celsius).In(Fahrenheit); math.Abs(got-c.delta) > 1e-12 {
			t.Errorf("a difference of %g °C is %g °F, not %g", c.celsius, got, c.delta)
		}
		if got := FromFahrenheit(c.fahrenheit); math.Abs(float64(got)-c.celsius) > 1e-12 {
			t.Errorf("%g °F is %g °C, not %g", c.fahrenheit, got, c.celsius)
		}
		if got := DeltaFromFahrenheit(c.delta); math.Abs(float64(got)-c.celsius) > 1e-12 {
			t.Errorf("a difference of %g °F is %g °C, not %g", c.delta, got, c.celsius)
		}
	}
	for f := -40; f <= 212; f += 9 { // every fifth °C is whole in both
		if c := FromFahrenheit(float64(f - f%9 + 5)); c != Temperature(math.Round(float64(c))) {
			t.Errorf("%d °F is %v °C, which should be whole", f, c)
		}
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct{ celsius, fahrenheit, wantC, wantF string }{
		{Temperature(27.8).Text(Celsius, 1), Temperature(27.8).Text(Fahrenheit, 1), "27.8 °C", "82.0 °F"},
		{TemperatureDelta(0.5).Text(Celsius, 2), TemperatureDelta(0.5).Text(Fahrenheit, 2), "0.50 °C", "0.90 °F"},
		{TemperatureDelta(1).Text(Celsius, 0), TemperatureDelta(1).Text(Fahrenheit, 0), "1 °C", "1.8 °F"},
		{TemperatureDelta(-2).Text(Celsius, 1), TemperatureDelta(-2).Text(Fahrenheit, 1), "-2.0 °C", "-3.6 °F"},
		{Temperature(20).Number(Celsius, 0), Temperature(20).Number(Fahrenheit, 0), "20", "68"},
	} {
		if c.celsius != c.wantC || c.fahrenheit != c.wantF {
			t.Errorf("%q, %q, not %q, %q", c.celsius, c.fahrenheit, c.wantC, c.wantF)
		}
	}
	if got := Temperature(math.NaN()).Text(Fahrenheit, 1); got != "? °F" {
		t.Errorf("no number is %q", got)
	}
	if got := TemperatureDelta(-0.01).Text(Celsius, 1); got != "0.0 °C" {
		t.Errorf("nearly nothing is %q", got)
	}
}
