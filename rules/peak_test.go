package rules

import (
	"testing"
	"time"

	"dewline/rules/alarm"
)

// The end of an excursion tells its furthest value by reading, also one of the delay before
// it rose, with when that was. It is the same for who restarts at every step.
func TestPeak_OfTheWholeExcursion(t *testing.T) {
	for _, reborn := range []bool{false, true} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(time.Hour, r.calm)
		began := r.now
		r.run(10*time.Minute, r.hold("p1", 27, 85))
		top := r.now
		r.run(poll, r.hold("p1", 28.4, 85))
		r.run(time.Hour, r.hold("p1", 27.2, 85))
		if reborn {
			r.reborn()
		}
		r.run(2*time.Hour, r.calm)
		x := r.last(alarm.AboveBand)
		if x.Detail.Active || x.Peak == nil {
			t.Fatalf("not over: %+v", x)
		}
		if x.Peak.Value != 28.4 || x.Peak.Limit != 26 || x.Peak.At.Mono != top || x.Since.Mono != began {
			t.Errorf("reborn %v: furthest %+v, want 28.4 at %v; since %v, want %v", reborn, x.Peak, top, x.Since.Mono, began)
		}
	}
}
