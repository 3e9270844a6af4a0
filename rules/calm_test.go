package rules

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors"
	simroom "dewline/sensors/sim"

	"github.com/google/go-cmp/cmp"
)

// restless makes the engine judge every alarm with every reading and every
// silence with every tick, as if nothing could be spared.
func (e *Engine) restless() {
	e.v.AgeAt = -1
}

// What is spared while nothing is near a limit changes nothing that anybody
// sees: in random rooms with random faults, an engine that spares and one that
// does not say the same and remember the same of their alarms.
func TestCalm_SparesNothingThatMatters(t *testing.T) {
	skipUnderRace(t)
	said := 0
	for seed := range uint64(many(3)) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 77))
			o := simroom.RandomRoom(rng)
			s := newSim(t, o)
			hard := newRig(t, s.cfg)
			for range 6 {
				from := o.Start.Add(time.Duration(rng.IntN(40*60)) * time.Minute)
				f := simroom.RandomFault(rng, o, from)
				f.To = from.Add(time.Duration(10+rng.IntN(300)) * time.Minute)
				if err := s.room.Inject(f); err != nil {
					t.Fatal(err)
				}
			}
			for range 2 * 24 * 120 {
				s.now += 30 * time.Second
				s.room.Advance(30 * time.Second)
				now := s.clock()
				for _, p := range s.cfg.Probes {
					sample, err := s.room.Sample(sensors.ProbeID(p.ID))
					r := s.judges[p.ID].Read(now, sample, err)
					s.take(s.e.Step(&r))
					hard.e.restless()
					hard.take(hard.e.Step(&r))
				}
				s.take(s.e.Tick(now))
				hard.e.restless()
				hard.take(hard.e.Tick(now))
			}
			if diff := cmp.Diff(hard.log, s.log); diff != "" {
				t.Fatalf("(-every reading +spared):\n%s", diff)
			}
			if diff := cmp.Diff(hard.e.Records(), s.e.Records()); diff != "" {
				t.Errorf("records (-every reading +spared):\n%s", diff)
			}
			said += len(s.log)
		})
	}
	if said < 20 {
		t.Errorf("only %d transitions: the rooms were too calm to tell", said)
	}
}
