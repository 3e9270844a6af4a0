package climate

import (
	"testing"
	"time"
)

// Step response T = Ti − (Ti − T0)·e^(−t/τ): the project's own examples, each
// τ·ln((Ti−T0)/(Ti−TL)).
func TestStepTime(t *testing.T) {
	for _, c := range []struct{ tau, from, final, limit, want float64 }{
		{2, 24, 35, 30, 1.5769}, {1.5, 25, 32, 30, 1.8791}, {3, 24, 29, 28, 4.8283},
		{2, 26, 31, 30, 3.2189}, {4, 24, 40, 32, 2.7726},
	} {
		got, ok := StepTime(fromHours(c.tau), c.from, c.final, c.limit)
		if !ok {
			t.Errorf("%+v: never, want %v h", c, c.want)
		}
		near(t, "hours to the limit", got.Hours(), c.want, 5e-5)
	}
	for _, limit := range []float64{30, 30.5} {
		if got, ok := StepTime(time.Hour, 26, 30, limit); ok {
			t.Errorf("a limit of %v at or above the end was reached in %v", limit, got)
		}
	}
	if got, ok := StepTime(time.Hour, 31, 35, 30); !ok || got != 0 {
		t.Errorf("already above: got %v, %v; want 0, true", got, ok)
	}
}

// Rising room: τ 2 h, 26 °C in a room of 23.5 °C that warms 1 °C/h, lamps
// 2.5 °C (the project's own table).
func TestRamp(t *testing.T) {
	r := Ramp{Tau: 2 * time.Hour, Start: 26, Room: 23.5, Rate: 1, Lamps: 2.5}
	for _, c := range []struct{ h, want float64 }{{0, 26}, {1, 26.2131}, {2, 26.7358}, {4, 28.2707}, {8, 32.0366}} {
		near(t, "temperature", r.After(fromHours(c.h)), c.want, 5e-5)
	}
	for _, c := range []struct{ limit, want float64 }{{28, 3.68}, {30, 5.90}, {32, 7.96}} {
		got, ok := r.Until(c.limit, 12*time.Hour)
		if !ok {
			t.Errorf("%v °C is never reached", c.limit)
		}
		near(t, "hours until", got.Hours(), c.want, 0.02)
	}
	// The failing air conditioner of the project's failure table, hours to
	// 28 °C and to 30 °C at +1, +2 and +3 °C/h, and what lamps off at once add.
	for _, c := range []struct{ rate, to28, to30, gain float64 }{{1, 3.7, 5.9, 2.6}, {2, 2.4, 3.7, 1.4}, {3, 1.9, 2.9, 0.9}} {
		r.Rate, r.Lamps = c.rate, 2.5
		a, _ := r.Until(28, 24*time.Hour)
		b, _ := r.Until(30, 24*time.Hour)
		r.Lamps = 0
		off, _ := r.Until(28, 24*time.Hour)
		near(t, "hours to 28 °C", a.Hours(), c.to28, 0.06)
		near(t, "hours to 30 °C", b.Hours(), c.to30, 0.06)
		near(t, "hours won by lamps off", (off - a).Hours(), c.gain, 0.15)
	}
	if _, ok := r.Until(99, time.Hour); ok {
		t.Error("99 °C within an hour")
	}
}
