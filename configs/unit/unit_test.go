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

func TestWrite(t *testing.T) {
	text := "the room is " + Temperature(27.8).Mark(1) + ", warmer by " + TemperatureDelta(0.5).Mark(2) +
		", moved " + TemperatureDelta(1).MarkSigned(1) + ", more than " + TemperatureDelta(1).Mark(0) + ", " + TemperatureDelta(-2).MarkSigned(1)
	if got, want := Write(text, Celsius), "the room is 27.8 °C, warmer by 0.50 °C, moved +1.0 °C, more than 1 °C, -2.0 °C"; got != want {
		t.Errorf("%q, not %q", got, want)
	}
	if got, want := Write(text, Fahrenheit), "the room is 82.0 °F, warmer by 0.90 °F, moved +1.8 °F, more than 1.8 °F, -3.6 °F"; got != want {
		t.Errorf("%q, not %q", got, want)
	}
	box := Temperature(20).MarkNumber(0) + "–" + Temperature(22).Mark(0)
	if c, f := Write(box, Celsius), Write(box, Fahrenheit); c != "20–22 °C" || f != "68–72 °F" {
		t.Errorf("%q, %q", c, f)
	}
	for _, odd := range []string{"", "27.8 °C as somebody wrote it", "\x01", "\x01t1:x\x01", "\x01q1:3\x01", "a\x01tt:3\x01b"} {
		if got := Write(odd, Celsius); len(got) > len(odd) {
			t.Errorf("%q became %q", odd, got)
		}
	}
	if got := Temperature(math.NaN()).Text(Fahrenheit, 1); got != "? °F" {
		t.Errorf("no number is %q", got)
	}
	if got := TemperatureDelta(-0.01).Text(Celsius, 1); got != "0.0 °C" {
		t.Errorf("nearly nothing is %q", got)
	}
}
