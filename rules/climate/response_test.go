package climate

import (
	"math"
	"testing"
	"time"
)

// stepTime returns how long a first-order response from start °C toward final
// °C with time constant tau takes to limit °C; false for never, which a limit
// at or above final is.
func stepTime(tau time.Duration, start, final, limit float64) (time.Duration, bool) {
	if start >= limit {
		return 0, true
	}
	if !(limit < final) {
		return 0, false
	}
	return time.Duration(float64(tau) * math.Log((final-start)/(final-limit))), true
}

// Step response T = Ti − (Ti − T0)·e^(−t/τ): the project's own examples, each
// τ·ln((Ti−T0)/(Ti−TL)).
func TestStepTime(t *testing.T) {
	for _, c := range []struct{ tau, from, final, limit, want float64 }{
		{2, 24, 35, 30, 1.5769}, {1.5, 25, 32, 30, 1.8791}, {3, 24, 29, 28, 4.8283},
		{2, 26, 31, 30, 3.2189}, {4, 24, 40, 32, 2.7726},
	} {
		got, ok := stepTime(fromHours(c.tau), c.from, c.final, c.limit)
		if !ok {
			t.Errorf("%+v: never, want %v h", c, c.want)
		}
		near(t, "hours to the limit", got.Hours(), c.want, 5e-5)
	}
	for _, limit := range []float64{30, 30.5} {
		if got, ok := stepTime(time.Hour, 26, 30, limit); ok {
			t.Errorf("a limit of %v at or above the end was reached in %v", limit, got)
		}
	}
	if got, ok := stepTime(time.Hour, 31, 35, 30); !ok || got != 0 {
		t.Errorf("already above: got %v, %v; want 0, true", got, ok)
	}
}
