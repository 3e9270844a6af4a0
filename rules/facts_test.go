package rules

import (
	"math"
	"testing"
	"time"

	"dewline/rules/event"
)

// The doses that are told add up to the heat that there was: 90 minutes at 2 °C
// above the boundary are 3 °C h. A restart before every call tells none again,
// and however long it is hot there is about one line an hour.
func TestDosesAddUp(t *testing.T) {
	for _, restart := range []bool{false, true} {
		r := newRig(t, rigConfig(t, 1, ""))
		boundary := float64(r.cfg.SpeciesFor(r.cfg.Enclosures[0]).Boundary)
		var told []event.Dose
		r.now = 12 * time.Hour
		stretch := func(d time.Duration, celsius float64) {
			for range d / (5 * time.Minute) {
				if restart {
					r.reborn()
				}
				r.run(5*time.Minute, r.hold("p1", celsius, 85))
				for _, e := range r.e.Facts() {
					if b, ok := e.Body.(event.Dose); ok {
						told = append(told, b)
					}
				}
			}
		}
		stretch(time.Hour, boundary-4)
		stretch(90*time.Minute, boundary+2)
		stretch(3*time.Hour, boundary-4)
		hours, peak := 0.0, 0.0
		for _, d := range told {
			hours, peak = hours+d.DegreeHours, max(peak, d.Peak)
		}
		if len(told) < 2 || len(told) > 5 || math.Abs(hours-3) > 0.1 {
			t.Errorf("restart %v: %d lines with %.2f °C h, want a few with 3", restart, len(told), hours)
		}
		if share := float64(r.e.Enclosures()[0].Exposure); peak < share || told[len(told)-1].Share > peak {
			t.Errorf("restart %v: the peak told is %.3f, %.3f are left", restart, peak, share)
		}
	}
}

// What is asked for is told once.
func TestFactsAreTakenOnce(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.e.lives.Tell(r.instant(), event.Stop{})
	if a, b := r.e.Facts(), r.e.Facts(); len(a) != 1 || b != nil {
		t.Errorf("%v, then %v", a, b)
	}
}
