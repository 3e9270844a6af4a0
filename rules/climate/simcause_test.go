package climate

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors/sim"
)

// rackLab is a lab with what needs several enclosures: lamps and nights.
type rackLab struct {
	*lab
	lamps  []LampWatch
	nights []Night
	said   []bool // the lamps were said not to have switched since they were last asked for
}

func newRackLab(t *testing.T, seed uint64, keep int) *rackLab {
	t.Helper()
	r := &rackLab{lab: newLab(t, rand.New(rand.NewPCG(seed, 26)), keep)}
	n := len(r.stations)
	r.lamps, r.nights = make([]LampWatch, n), make([]Night, n)
	r.said = make([]bool, n)
	return r
}

func (r *rackLab) runRack(t *testing.T, d time.Duration) {
	t.Helper()
	for end := r.at + d; r.at < end; {
		r.step(t)
		hour := r.hour()
		for i, s := range r.stations {
			on := spanOn(s.lamps, hour)
			r.nights[i].Observe(r.at, s.air, on)
			r.lamps[i].Observe(r.at, s.air, r.roomTemp, true, on)
			r.said[i] = r.said[i] || r.lamps[i].Sign.Looks >= 3 && r.lamps[i].Sign.Missing >= 7
		}
	}
}

// Lamps that do not go off, or not on, are told at their next switch; sound
// ones never are, and their nights have a drop.
func TestLampsInSimulatedRooms(t *testing.T) {
	n, right, wrong := rooms(t, 8), 0, 0
	for seed := range n {
		r := newRackLab(t, uint64(seed), 6)
		r.runRack(t, 5*24*time.Hour)
		for i := range r.stations {
			if r.said[i] {
				wrong++
			}
			report, ok := r.nights[i].Report()
			if !ok || !report.Complete || report.Drop < 1 || r.nights[i].Streak(1) != 0 {
				t.Errorf("room %d: a sound night is %+v", seed, report)
			}
		}
		kind := sim.LampStuckOn
		if seed%2 == 1 {
			kind = sim.LampStuckOff
		}
		clear(r.said)
		inject(t, r.lab, sim.Fault{Kind: kind, On: sim.Target{Enclosure: r.stations[0].id}, From: r.room.Now()})
		r.runRack(t, 24*time.Hour)
		if r.said[0] {
			right++
		} else {
			t.Logf("room %d: %v not told: %+v", seed, kind, r.lamps[0].Sign)
		}
		for i := 1; i < len(r.stations); i++ {
			if r.said[i] {
				wrong++
			}
		}
	}
	t.Logf("%d rooms: %d of the faults told, %d sound lamps called stuck", n, right, wrong)
	if 10*right < 9*n || wrong > 0 {
		t.Error("want nine in ten told and no sound lamps called stuck")
	}
}
