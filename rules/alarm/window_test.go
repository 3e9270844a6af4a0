package alarm

import (
	"math/rand/v2"
	"testing"
	"time"
)

// told is when a process that each look finds beyond its limit, or back, is told,
// and how often; looks are 10 s apart for a day. A negative time is never.
func told(s Spec, look func(time.Duration) Input) (first time.Duration, times int) {
	var r Record
	first = -1
	for d := time.Duration(0); d < 24*time.Hour; d += 10 * time.Second {
		if c := r.Step(s, at(d), look(d)); c.Changed() && c.To == Unack {
			if times++; first < 0 {
				first = d
			}
		}
	}
	return first, times
}

// A delay is a window: what is outside for three quarters of the time and more is
// told within an hour and once, however the other quarter lies; what is inside for
// most of the time is not, and missing looks are no evidence.
func TestRecord_DelayIsAWindow(t *testing.T) {
	cycle := func(out, in time.Duration, other Input) func(time.Duration) Input {
		return func(d time.Duration) Input {
			if d%(out+in) < out {
				return Beyond
			}
			return other
		}
	}
	noise := func(share float64, other Input) func(time.Duration) Input {
		rng := rand.New(rand.NewPCG(1, 2))
		return func(time.Duration) Input {
			if rng.Float64() < share {
				return Beyond
			}
			return other
		}
	}
	const m = time.Minute
	band := Spec{OnDelay: 30 * m, OffDelay: 10 * m, MaxGap: 2 * m, KeepReturned: -1, Window: true}
	floor := Spec{OnDelay: 10 * m, OffDelay: 5 * m, MaxGap: 2 * m, KeepReturned: -1, Window: true}
	for _, c := range []struct {
		name string
		spec Spec
		look func(time.Duration) Input
		by   time.Duration // 0: never
	}{
		{"dry for 9 of 10 min", floor, cycle(9*m, m, Back), 20 * m},
		{"a cool minute each half hour", band, cycle(29*m, m, Between), 40 * m},
		{"69.0 % with sd 1 %, floor 70", floor, noise(0.84, Between), 20 * m}, // the normal distribution at 1 sd
		{"three quarters, in quarters of an hour", band, cycle(12*m, 4*m, Between), 60 * m},
		{"three quarters by chance, band", band, noise(0.75, Between), 60 * m},
		{"three quarters by chance, floor", floor, noise(0.75, Between), 30 * m},
		{"71.5 % with sd 1 %, floor 70", floor, noise(0.067, Between), 0}, // at 1.5 sd
		{"a quarter", band, cycle(5*m, 15*m, Back), 0},
		{"25 warm minutes each two hours", band, cycle(25*m, 95*m, Back), 0},
		{"missing looks count for neither side", floor, cycle(9*m, 111*m, Missing), 122 * m},
		{"throughout", floor, cycle(24*time.Hour, 0, Back), 10 * m},
	} {
		at, times := told(c.spec, c.look)
		switch {
		case c.by == 0 && at >= 0:
			t.Errorf("%s: told after %v", c.name, at)
		case c.by > 0 && (at < 0 || at > c.by || times != 1):
			t.Errorf("%s: told after %v, %d times; want once, within %v", c.name, at, times, c.by)
		}
	}
}

// The end is a window too: an alarm whose process is back for most of the time ends,
// though single looks say otherwise.
func TestRecord_EndsThroughNoise(t *testing.T) {
	var r Record
	s := Spec{OffDelay: 5 * time.Minute, MaxGap: 2 * time.Minute, KeepReturned: -1, Window: true}
	r.Step(s, at(0), Beyond)
	for i := range 120 {
		in := Back
		if i%4 == 3 {
			in = Between
		}
		r.Step(s, at(time.Duration(i+1)*10*time.Second), in)
	}
	if r.Active {
		t.Error("never over")
	}
}
