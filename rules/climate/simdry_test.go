package climate

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors/sim"
)

// A vent that sticks open and a seal that leaks dry an enclosure faster than it
// usually does, and three days tell. A fan that died must never look like
// that: air that stays wet may only say slower, or nothing.
func TestDryDownInSimulatedRooms(t *testing.T) {
	kinds := []sim.Kind{sim.VentStuckOpen, sim.SealLeak, sim.FanDead}
	n := rooms(t, 12)
	asked, faster, slower := map[sim.Kind]int{}, map[sim.Kind]int{}, map[sim.Kind]int{}
	for seed := range n {
		l := newLab(t, rand.New(rand.NewPCG(uint64(seed), 27)), 1)
		logs := newLogs(l)
		watchMist(t, l, 11*24*time.Hour, logs)
		if h := logs[0].dry.Hint(); h != DryUsual {
			t.Errorf("room %d: a sound enclosure hints %v", seed, h)
		}
		kind := kinds[seed%len(kinds)]
		inject(t, l, sim.Fault{Kind: kind, On: sim.Target{Enclosure: l.stations[0].id}, From: l.room.Now()})
		watchMist(t, l, 3*24*time.Hour, logs)
		asked[kind]++
		switch logs[0].dry.Hint() {
		case DryFaster:
			faster[kind]++
		case DrySlower:
			slower[kind]++
		}
	}
	t.Logf("asked %v, faster %v, slower %v", asked, faster, slower)
	for _, k := range kinds[:2] {
		if 4*faster[k] < 3*asked[k] || slower[k] > 0 {
			t.Errorf("%v: faster in %d of %d, want three of four and no slower", k, faster[k], asked[k])
		}
	}
	if faster[sim.FanDead] > 0 {
		t.Errorf("a dead fan hints at a leak in %d rooms", faster[sim.FanDead])
	}
}
