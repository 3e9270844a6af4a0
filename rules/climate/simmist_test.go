package climate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors/sim"
)

// mistLog follows one station's schedule as the engine does.
type mistLog struct {
	watch    MistWatch
	dry      DryDown
	verdicts map[MistVerdict]int
	endless  time.Duration // running time at which it was first said
	pulses   int
}

// watchMist runs a lab for d with schedules watched.
func watchMist(t *testing.T, l *lab, d time.Duration, logs []mistLog) {
	t.Helper()
	for end := l.at + d; l.at < end; {
		l.step(t)
		now := l.room.Now()
		minute := configs.ClockTime(60*now.Hour() + now.Minute())
		for i, s := range l.stations {
			g := &logs[i]
			if now.Second() == 0 && slices.Contains(s.times, minute) {
				g.watch.Expect(l.at, g.time(s, now))
			}
			if v, _ := g.watch.Verdict(l.at, &s.mist); v != MistPending {
				g.verdicts[g.watch.Settle(v, false)]++
			}
			g.watch.Dry(l.at, s.air, s.rh, l.roomTemp, float64(minute)/60, &s.mist, g.time(s, now))
			if g.endless == 0 && g.watch.Sticks >= MistEndlessTold {
				g.endless = l.at
			}
			if s.mist.Pulses != g.pulses {
				g.pulses = s.mist.Pulses
				g.dry.Add(s.mist.Done.Start, s.mist.Done.HalfLife)
			}
		}
	}
}

// time is when a mist falls that falls now.
func (mistLog) time(s *station, now time.Time) MistTime {
	hour := float64(now.Hour()) + float64(now.Minute())/60
	switch {
	case !spanOn(s.lamps, hour):
		return MistDark
	case !spanOn(s.lamps, math.Mod(hour+3, 24)):
		return MistDusk
	}
	return MistLit
}

func newLogs(l *lab) []mistLog {
	logs := make([]mistLog, len(l.stations))
	for i := range logs {
		logs[i].verdicts = map[MistVerdict]int{}
	}
	return logs
}

// In sound rooms every scheduled mist is seen, nothing else is, and nothing
// is endless. Then a fault: what the watch must say is in the table.
func TestMistInSimulatedRooms(t *testing.T) {
	seen, other, pulses, due := 0, 0, 0, 0
	right := map[sim.Kind]int{}
	asked := map[sim.Kind]int{}
	kinds := []sim.Kind{sim.SupplyOut, sim.NozzleClogged, sim.MisterStuckOn}
	for seed := range rooms(t, 15) {
		rng := rand.New(rand.NewPCG(uint64(seed), 23))
		l := newLab(t, rng, 4)
		logs := newLogs(l)
		l.run(t, time.Hour)
		watchMist(t, l, 5*24*time.Hour, logs)
		for i, g := range logs {
			seen += g.verdicts[MistSeen]
			other += g.verdicts[MistMissed] + g.verdicts[MistWeak] + g.verdicts[MistUnclear]
			pulses += l.stations[i].mist.Pulses
			due += 5 * len(l.stations[i].times)
			if g.endless != 0 {
				t.Errorf("room %d: a sound mist is called endless", seed)
			}
		}
		kind := kinds[seed%len(kinds)]
		on := sim.Target{Enclosure: l.stations[0].id}
		if kind == sim.SupplyOut {
			on = sim.Target{Supply: l.stations[0].supply}
		}
		if err := l.room.Inject(sim.Fault{Kind: kind, From: l.room.Now(), On: on, Amount: 0.15 * float64(seed%2)}); err != nil {
			t.Fatal(err)
		}
		logs[0].verdicts, logs[1].verdicts = map[MistVerdict]int{}, map[MistVerdict]int{}
		began := l.at
		watchMist(t, l, 24*time.Hour, logs)
		asked[kind]++
		own, peer := logs[0], logs[1]
		bad := own.verdicts[MistMissed] + own.verdicts[MistWeak]
		ok := false
		switch kind {
		case sim.SupplyOut:
			ok = own.verdicts[MistMissed] == 2 && peer.verdicts[MistMissed] == 2
		case sim.NozzleClogged:
			ok = bad >= 1 && peer.verdicts[MistSeen] == 2 // a trickle may still soak small tanks
		case sim.MisterStuckOn:
			ok = own.endless != 0 && peer.endless == 0 && own.endless-began < 4*time.Hour
		}
		if ok {
			right[kind]++
		} else {
			t.Logf("room %d, %v: own %v endless after %v, peer %v", seed, kind, own.verdicts, own.endless-began, peer.verdicts)
		}
	}
	t.Logf("%d mists due: %d seen, %d judged otherwise, %d pulses in all; faults told %v of %v", due, seen, other, pulses, right, asked)
	if float64(seen) < 0.97*float64(due) || other > due/50 || float64(pulses) > 1.03*float64(due) {
		t.Error("want 97 % seen, at most 2 % judged otherwise, and hardly a pulse that was none")
	}
	for _, k := range kinds {
		if float64(right[k]) < 0.8*float64(asked[k]) {
			t.Errorf("%v told in %d of %d rooms, want four of five", k, right[k], asked[k])
		}
	}
}
