package climate

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors/sim"
)

// Days of a sound room have no door in them; an opening of two minutes is one
// that recovers; a door left open is ajar within a quarter of an hour, and
// shut when it is shut.
func TestDoorInSimulatedRooms(t *testing.T) {
	n := rooms(t, 15)
	normal, ajar, shut, phantom := 0, 0, 0, 0
	for seed := range n {
		rng := rand.New(rand.NewPCG(uint64(seed), 24))
		l := newLab(t, rng, 1)
		s := l.stations[0]
		l.run(t, 48*time.Hour+time.Duration(rng.IntN(24*60))*time.Minute)
		phantom += len(s.doors)
		at := sim.Target{Enclosure: s.id}
		s.doors = nil
		inject(t, l, sim.Fault{Kind: sim.DoorOpened, On: at, From: l.room.Now()})
		l.run(t, 30*time.Minute)
		if len(s.doors) == 2 && s.doors[0] == DoorOpened && s.doors[1] == DoorRecovered {
			normal++
		} else {
			t.Logf("room %d: an opening at %.1f h is %v", seed, l.hour(), s.doors)
		}
		l.run(t, 3*time.Hour)
		s.doors, s.doorAt = nil, nil
		began := l.at
		inject(t, l, sim.Fault{Kind: sim.DoorAjar, On: at, From: l.room.Now(), To: l.room.Now().Add(40 * time.Minute)})
		l.run(t, 40*time.Minute)
		if len(s.doors) == 2 && s.doors[1] == DoorAjar && s.doorAt[1]-began <= 15*time.Minute && s.door.Ajar() {
			ajar++
		} else {
			t.Logf("room %d: a door ajar at %.1f h is %v", seed, l.hour(), s.doors)
		}
		l.run(t, 2*time.Hour)
		if _, open := s.door.Open(); !open {
			shut++
		}
	}
	t.Logf("%d rooms: %d openings and %d doors ajar told, %d seen shut; %d door events in %d sound days", n, normal, ajar, shut, phantom, 2*n)
	if 10*normal < 8*n || 10*ajar < 8*n || 10*shut < 8*n || phantom > n/5 {
		t.Error("want four in five of each, and no door in a sound room")
	}
}

// A vent that sticks open or a seal that leaks lets in a part of what a door
// does and must not be called one.
func TestDraughtIsNoDoorInSimulatedRooms(t *testing.T) {
	for seed := range rooms(t, 10) {
		rng := rand.New(rand.NewPCG(uint64(seed), 25))
		l := newLab(t, rng, 1)
		s := l.stations[0]
		l.run(t, 24*time.Hour+time.Duration(rng.IntN(24*60))*time.Minute)
		kind := []sim.Kind{sim.VentStuckOpen, sim.SealLeak}[seed%2]
		s.doors = nil
		inject(t, l, sim.Fault{Kind: kind, On: sim.Target{Enclosure: s.id}, From: l.room.Now()})
		l.run(t, time.Hour)
		if s.door.Ajar() {
			t.Errorf("room %d: %v is called a door ajar: %v", seed, kind, s.doors)
		}
	}
}

func inject(t *testing.T, l *lab, f ...sim.Fault) {
	t.Helper()
	if err := l.room.Inject(f...); err != nil {
		t.Fatal(err)
	}
}
