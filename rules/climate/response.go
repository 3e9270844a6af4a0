package climate

import (
	"math"
	"time"
)

// StepTime returns how long a first-order response from start °C toward final
// °C with time constant tau takes to limit °C; false for never, which a limit
// at or above final is.
func StepTime(tau time.Duration, start, final, limit float64) (time.Duration, bool) {
	if start >= limit {
		return 0, true
	}
	if !(limit < final) || !finite(final) || tau <= 0 {
		return 0, false
	}
	return time.Duration(float64(tau) * math.Log((final-start)/(final-limit))), true
}

// A Ramp is a room that warms steadily around an enclosure of one time
// constant.
type Ramp struct {
	Tau   time.Duration
	Start float64 // °C in the enclosure
	Room  float64 // °C of the room at the start
	Rate  float64 // °C/h of the room
	Lamps float64 // °C that the lamps add in the end
}

// After returns the enclosure's temperature after t.
func (r Ramp) After(t time.Duration) float64 {
	tau, h := r.Tau.Hours(), t.Hours()
	level := r.Room + r.Lamps
	return level + r.Rate*(h-tau) + (r.Start-level+r.Rate*tau)*math.Exp(-h/tau)
}

// Until returns when limit °C is first reached, false where that is not
// within most.
func (r Ramp) Until(limit float64, most time.Duration) (time.Duration, bool) {
	if r.Start >= limit {
		return 0, true
	}
	// The curve has at most one turning point, so steps of a minute cannot
	// jump over more than the flat top of a touch.
	low := time.Duration(0)
	for high := time.Minute; high <= most; low, high = high, high+time.Minute {
		if r.After(high) < limit {
			continue
		}
		for high-low > time.Second {
			mid := (low + high) / 2
			if r.After(mid) < limit {
				low = mid
			} else {
				high = mid
			}
		}
		return high, true
	}
	return 0, false
}
