package rules

import (
	"fmt"
	"math/rand/v2"
	"sort"
	"sync"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors/simroom"
)

// verdict is what the engine made of one fault in one random room.
type verdict struct {
	seed        uint64
	fault       simroom.Fault
	want, got   string
	first       Transition
	needless    []string // wake alarms before the fault
	unwarned    []string // enclosures that passed their ceiling by 0.3 °C unwarned
	early       []string // lesser ones
	warmedHours float64
}

// judgeFault lets a random room live in peace for three days and some hours,
// then does one random thing to it and waits for what the engine says.
func judgeFault(t testing.TB, seed uint64) verdict {
	rng := rand.New(rand.NewPCG(seed, 4))
	o := simroom.RandomRoom(rng)
	s := newSim(t, o)
	s.live(3*24*time.Hour + time.Duration(rng.IntN(24))*time.Hour)
	v := verdict{seed: seed, warmedHours: s.now.Hours(), got: "nothing"}
	for _, x := range s.log {
		if x.Priority == Wake {
			v.needless = append(v.needless, x.Text)
		} else if x.Priority == Today && x.To == alarm.Unack {
			v.early = append(v.early, x.Text)
		}
	}
	v.fault = simroom.RandomFault(rng, o, s.room.Now())
	v.want = v.fault.Cause()
	if v.want == "" {
		v.want = "nothing"
	}
	if err := s.room.Inject(v.fault); err != nil {
		t.Fatal(err)
	}
	from := len(s.log)
	ceiling, warned := map[string]float64{}, map[string]bool{}
	for _, e := range s.e.Enclosures() {
		ceiling[e.ID] = e.Ceiling
	}
	for end := s.now + 36*time.Hour; s.now < end; {
		n := len(s.log)
		s.live(poll)
		for _, x := range s.log[n:] {
			warned[x.Key.Subject] = warned[x.Key.Subject] || x.Priority == Wake
		}
		for id, c := range ceiling {
			if truth, _ := s.room.Truth(id); truth.Litter > c+0.3 && !warned[id] {
				v.unwarned = append(v.unwarned, id)
				warned[id] = true
			}
		}
		if s.now > end-34*time.Hour && v.got != "nothing" && len(warned) == 0 {
			break
		}
		for _, x := range s.log[from:] {
			if x.Priority >= Today && v.got == "nothing" && x.To == alarm.Unack && x.From != alarm.Unack {
				v.got, v.first = string(x.Cause.Kind), x
			}
		}
	}
	return v
}

// TestFaultTable prints what the engine made of random faults in random rooms:
//
//	DEWLINE_ROOMS=100 go test -run TestFaultTable -v ./rules
func TestFaultTable(t *testing.T) {
	skipUnderRace(t)
	n := many(4)
	all := make([]verdict, n)
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for i := range all {
		wg.Go(func() {
			slots <- struct{}{}
			all[i] = judgeFault(t, uint64(i))
			<-slots
		})
	}
	wg.Wait()
	right, hours := 0, 0.0
	table := map[string]int{}
	for _, v := range all {
		hours += v.warmedHours
		table[fmt.Sprintf("%-10s told as %s", v.want, v.got)]++
		lamps := v.fault.Kind == simroom.LampStuckOn || v.fault.Kind == simroom.LampStuckOff
		if v.want == v.got || lamps && v.got == string(CauseLamps) {
			right++
		} else {
			t.Logf("room %d: %v of %+v (%s) told as %s: %s %s", v.seed, v.fault.Kind, v.fault.On, v.want, v.got, v.first.Key.Alarm, v.first.Text)
		}
		for _, text := range v.early {
			t.Logf("room %d, before the fault: %s", v.seed, text)
		}
		for _, text := range v.needless {
			t.Errorf("room %d was woken for nothing: %s", v.seed, text)
		}
		if len(v.unwarned) > 0 {
			t.Errorf("room %d: %v passed the ceiling unwarned", v.seed, v.unwarned)
		}
	}
	keys := make([]string, 0, len(table))
	for k := range table {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for _, k := range keys {
		t.Logf("%4d  %s", table[k], k)
	}
	t.Logf("%d of %d right; %.1f room-years before the faults", right, n, hours/24/365)
}
