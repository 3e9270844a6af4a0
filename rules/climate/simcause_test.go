package climate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors/sim"
)

// rackLab is a lab with what needs several enclosures: lamps, nights, usual
// offsets, and the shelves they stand on.
type rackLab struct {
	*lab
	shelves []int
	lamps   []LampWatch
	nights  []Night
	offsets []HourOffset
	usual   HourOffset // of the room
	said    []bool     // the lamps were said not to have switched since they were last asked for
}

func newRackLab(t *testing.T, seed uint64, keep int) *rackLab {
	t.Helper()
	o := sim.RandomRoom(rand.New(rand.NewPCG(seed, 26)))
	r := &rackLab{lab: newLab(t, rand.New(rand.NewPCG(seed, 26)), keep)}
	n := len(r.stations)
	for _, e := range o.Enclosures[:n] {
		r.shelves = append(r.shelves, 10*int(e.Rack[0])+e.Shelf)
	}
	r.lamps, r.nights, r.offsets = make([]LampWatch, n), make([]Night, n), make([]HourOffset, n)
	r.said = make([]bool, n)
	return r
}

func (r *rackLab) runRack(t *testing.T, d time.Duration) {
	t.Helper()
	for end := r.at + d; r.at < end; {
		r.step(t)
		hour := r.hour()
		r.usual.Observe(hour, r.roomTemp)
		for i, s := range r.stations {
			on := spanOn(s.lamps, hour)
			r.nights[i].Observe(r.at, s.air, on)
			r.offsets[i].Observe(hour, s.air-r.roomTemp)
			r.lamps[i].Observe(r.at, s.air, r.roomTemp, true, on)
			r.said[i] = r.said[i] || r.lamps[i].Sign.Looks >= 3 && r.lamps[i].Sign.Missing >= 7
		}
	}
}

// cause surveys the rack as the engine would and returns the finding for i.
func (r *rackLab) cause(i int) Finding {
	hour := r.hour()
	room := RoomCase{Temp: r.roomTemp, HasTemp: true}
	room.Change, room.HasChange = r.roomTrend.Change()
	room.Usual, room.HasUsual = r.usual.At(hour)
	cases := make([]Case, len(r.stations))
	for k, s := range r.stations {
		c := Case{Shelf: r.shelves[k], Temp: s.air, HasTemp: s.has}
		c.Offset, c.HasOffset = r.offsets[k].At(hour)
		c.Change, c.HasChange = s.trend.Change()
		cases[k] = c
	}
	p := Survey(room, cases, make([]float64, 0, len(cases)))
	return p.CauseOf(cases[i])
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

// One heater is the enclosure's fault, a failed air conditioner the room's, a
// lamp timer that sticks in the evening the shelf's.
func TestCauseInSimulatedRooms(t *testing.T) {
	n, right := rooms(t, 12), 0
	table := map[CauseKind]map[CauseKind]int{}
	for seed := range n {
		r := newRackLab(t, uint64(seed), 12)
		r.runRack(t, 4*24*time.Hour)
		for spanOn(r.stations[0].lamps, r.hour()) || !spanOn(r.stations[0].lamps, math.Mod(r.hour()+2, 24)) {
			r.runRack(t, 15*time.Minute) // to two hours before the lamps come on
		}
		r.runRack(t, 4*time.Hour)
		from := r.room.Now()
		var want CauseKind
		switch seed % 3 {
		case 0:
			want = EnclosureCause
			inject(t, r.lab, sim.Fault{Kind: sim.HeaterStuckOn, On: sim.Target{Enclosure: r.stations[0].id}, From: from, Amount: 40})
			r.runRack(t, time.Hour)
		case 1:
			want = RoomCause
			inject(t, r.lab, sim.Fault{Kind: sim.ACFailure, From: from}, sim.Fault{Kind: sim.RoomHeatStuckOn, From: from})
			r.runRack(t, 2*time.Hour)
		default:
			want = ShelfCause
			for i, s := range r.stations {
				if r.shelves[i] == r.shelves[0] {
					inject(t, r.lab, sim.Fault{Kind: sim.LampStuckOn, On: sim.Target{Enclosure: s.id}, From: from})
				}
			}
			for spanOn(r.stations[0].lamps, r.hour()) {
				r.runRack(t, 15*time.Minute)
			}
			r.runRack(t, 3*time.Hour)
		}
		f := r.cause(0)
		if table[want] == nil {
			table[want] = map[CauseKind]int{}
		}
		table[want][f.Kind]++
		if f.Kind == want {
			right++
		} else {
			t.Logf("room %d: want %q, got %+v", seed, want, f)
		}
	}
	t.Logf("%d rooms, %d causes right: %v", n, right, table)
	if 10*right < 9*n {
		t.Error("want nine causes in ten")
	}
}
