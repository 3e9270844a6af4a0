package rules

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"sort"
	"strconv"
	"sync"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
	simroom "dewline/sensors/sim"
	"dewline/sensors/table"
)

// verdict is what the engine made of one fault in one random room.
type verdict struct {
	seed        uint64
	fault       simroom.Fault
	want, got   string
	first       Transition
	right       bool     // it names what is at fault
	unseen      bool     // no reading shows the fault
	anyway      int      // notices that the room without the fault brings as well
	needless    []string // wake alarms before the fault
	unwarned    []string // enclosures that passed their lethal limit by 0.3 °C unwarned
	early       []string // lesser ones
	warmedHours float64
}

// atFault is what a keeper would have to look at. A random fault is never a hot spell
// nor a normal opening.
func atFault(f simroom.Fault) string {
	switch on := f.On; {
	case f.Kind == simroom.DoorAjar:
		return "door"
	case on.Probe != "":
		return "probe"
	case on.Supply != "":
		return "supply"
	case on.Enclosure != "":
		return "enclosure"
	case on.Lamps != "":
		return "shelf"
	}
	return "room"
}

// judgeFault lets a random room live in peace for three days and some hours,
// then does one random thing to it and waits for what the engine says. What it
// says of the same room without the fault, too, is not about the fault.
func judgeFault(t testing.TB, seed uint64) verdict {
	rng := rand.New(rand.NewPCG(seed, 4))
	o := simroom.RandomRoom(rng)
	s := newSim(t, o)
	s.live(3*24*time.Hour + time.Duration(rng.IntN(24))*time.Hour)
	v := verdict{seed: seed, warmedHours: s.now.Hours(), got: "nothing"}
	for _, x := range s.log {
		if x.Priority == alarm.Wake {
			v.needless = append(v.needless, x.Text)
		} else if x.Priority == alarm.Today && x.To == alarm.Unack {
			v.early = append(v.early, x.Text)
		}
	}
	v.fault = simroom.RandomFault(rng, o, s.room.Now())
	v.want = atFault(v.fault)
	calm := s.fork()
	before := s.room.Clone()
	if err := s.room.Inject(v.fault); err != nil {
		t.Fatal(err)
	}
	from := len(s.log)
	v.unwarned = s.unwarned(faultWatch)
	for i, x := range s.log {
		if i < from || !s.news(i) {
			continue
		}
		if calm.saysToo(x) {
			v.anyway++
			continue
		}
		v.got, v.first = string(x.Cause.Kind), x
		break
	}
	v.right = v.named()
	if v.got == "nothing" {
		v.unseen = nothingToSee(t, before, s.cfg, v.fault)
	}
	return v
}

// faultWatch is how long the engine has to say something, and sameTime how far
// apart the same notice may come with and without the fault.
const (
	faultWatch = 36 * time.Hour
	sameTime   = 30 * time.Minute
)

// unwarned lives on and returns the enclosures that passed their lethal limit by
// 0.3 °C before anybody was woken.
func (s *sim) unwarned(d time.Duration) (list []string) {
	ceiling, warned := map[string]float64{}, map[string]bool{}
	for _, e := range s.e.Enclosures() {
		ceiling[e.ID] = e.Lethal
	}
	for end := s.now + d; s.now < end; {
		n := len(s.log)
		s.live(poll)
		for id, c := range ceiling {
			// What came with this very poll came too late.
			if truth, _ := s.room.Truth(id); truth.Litter > c+0.3 && !warned[id] {
				list = append(list, id)
				warned[id] = true
			}
		}
		for _, x := range s.log[n:] {
			warned[x.Key.Subject] = warned[x.Key.Subject] || x.Priority == alarm.Wake
		}
	}
	return list
}

// fork goes on in a copy of the room with a copy of the engine.
func (s *sim) fork() *sim {
	s.t.Helper()
	state, err := json.Marshal(s.e.State())
	if err != nil {
		s.t.Fatal(err)
	}
	var st State
	if err := json.Unmarshal(state, &st); err != nil {
		s.t.Fatal(err)
	}
	n := &sim{rig: newRig(s.t, s.cfg), room: s.room.Clone(), judges: map[string]*sensors.Judge{}, begin: s.begin, every: s.every}
	n.now = s.now
	maps.Copy(n.states, s.states)
	for _, p := range s.cfg.Probes {
		n.judges[p.ID] = table.NewJudge(sensors.ProbeID(p.ID), p.Family)
	}
	n.take(n.e.Restore(&st, s.e.Records(), s.clock()))
	return n
}

// saysToo lets the calm room live as far as needed and reports whether it
// brings the same notice at about the same time.
func (s *sim) saysToo(x Transition) bool {
	if d := x.At.Mono + sameTime - s.now; d > 0 {
		s.live(d)
	}
	for i, y := range s.log {
		if y.Key == x.Key && y.Cause == x.Cause && s.news(i) && (y.At.Mono-x.At.Mono).Abs() <= sameTime {
			return true
		}
	}
	return false
}

// news reports whether a transition tells somebody today of something: an alarm that
// rises, or an open note that becomes one for today.
func (s *sim) news(i int) bool {
	x := &s.log[i]
	if x.Priority < alarm.Today || x.To != alarm.Unack {
		return false
	}
	if x.From != alarm.Unack {
		return true
	}
	for k := i - 1; k >= 0; k-- {
		if s.log[k].Key == x.Key {
			return s.log[k].Priority < alarm.Today
		}
	}
	return false
}

// named reports whether the first notice tells the right cause, and of which
// enclosure, probe, supply or lamps.
func (v *verdict) named() bool {
	on, c := v.fault.On, v.first.Cause
	switch v.want {
	case "nothing", "room":
		return v.got == v.want || v.fault.Kind == simroom.PowerCut && v.got == string(alarm.CausePower)
	case "door":
		return v.got == v.want && c.ID == on.Enclosure
	case "supply":
		return v.got == v.want && c.ID == on.Supply
	case "probe":
		return v.got == v.want && (c.ID == string(on.Probe) || c.ID == string(on.Other))
	}
	lamps := v.fault.Kind == simroom.LampStuckOn || v.fault.Kind == simroom.LampStuckOff
	switch {
	case on.Enclosure != "":
		return v.got == v.want && c.ID == on.Enclosure || lamps && v.got == string(alarm.CauseLamps) && v.first.Key.Subject == on.Enclosure
	case on.Lamps != "": // one shelf's
		shelf := on.Lamps[len("lamps-"):]
		return v.got == string(alarm.CauseLamps) && c.ID == on.Lamps || v.got == v.want && c.ID == shelf[:1]+"/"+shelf[1:]
	}
	return v.got == v.want
}

// By how much a reading may differ and mean nothing: the typical accuracy of
// SHT3x probes, ±0.2 °C and, at 90 to 100 %RH, ±3 %RH (SHT3x-DIS data sheet,
// version 7 of December 2022).
const (
	accurateTemp = 20  // hundredths of °C
	accurateHum  = 300 // hundredths of %RH
)

// nothingToSee reports whether the fault changes no reading of any probe by
// more than the probe's accuracy, at any time while it is watched: an air
// conditioner that fails in winter, two probes that always agree.
func nothingToSee(t testing.TB, calm *simroom.Room, cfg *configs.Config, f simroom.Fault) bool {
	odd := calm.Clone()
	if err := odd.Inject(f); err != nil {
		t.Fatal(err)
	}
	for d := time.Duration(0); d < faultWatch; d += 5 * time.Minute {
		odd.Advance(5 * time.Minute)
		calm.Advance(5 * time.Minute)
		for _, p := range cfg.Probes {
			a, errA := odd.Sample(sensors.ProbeID(p.ID))
			b, errB := calm.Sample(sensors.ProbeID(p.ID))
			if (errA == nil) != (errB == nil) || room.Abs(a.Temperature-b.Temperature) > accurateTemp || room.Abs(a.Humidity-b.Humidity) > accurateHum {
				return false
			}
		}
	}
	return true
}

// TestFaultTable prints what the engine made of random faults in random rooms:
//
//	DEWLINE_ROOMS=100 go test -run TestFaultTable -v ./rules
//
// DEWLINE_FIRST_ROOM=1000 takes rooms that nobody has looked at yet.
func TestFaultTable(t *testing.T) {
	skipUnderRace(t)
	n, first := longMany(4, 100), firstRoom(t)
	all := make([]verdict, n)
	var wg sync.WaitGroup
	slots := make(chan struct{}, 2)
	for i := range all {
		wg.Go(func() {
			slots <- struct{}{}
			all[i] = judgeFault(t, first+uint64(i))
			<-slots
		})
	}
	wg.Wait()
	right, unseen, anyway, hours := 0, 0, 0, 0.0
	table := map[string]int{}
	for _, v := range all {
		hours += v.warmedHours
		anyway += v.anyway
		told := v.got
		switch {
		case v.right:
			right++
		case v.unseen:
			unseen++
			told += ", and no reading shows it"
			t.Logf("room %d: %v of %+v changes no reading by more than ±0.2 °C or ±3 %%RH in %v: not counted", v.seed, v.fault.Kind, v.fault.On, faultWatch)
		default:
			if v.want == v.got {
				told += ", but not the one"
			}
			t.Logf("room %d: %v of %+v (%s) told as %s: %s %s", v.seed, v.fault.Kind, v.fault.On, v.want, told, v.first.Key.Alarm, v.first.Text)
		}
		table[fmt.Sprintf("%-10s told as %s", v.want, told)]++
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
	share := 100 * float64(right) / float64(max(1, n-unseen))
	t.Logf("%d of %d right, %.1f %%, and %d more that no reading shows; %d notices would have come without the fault; %.1f room-years before the faults",
		right, n-unseen, share, unseen, anyway, hours/24/365)
	if n >= 100 && share < 95 {
		t.Errorf("want at least 95 %% right")
	}
}

// longMany is many with more by default under DEWLINE_LONG.
func longMany(standard, long int) int {
	if os.Getenv("DEWLINE_LONG") != "" {
		standard = long
	}
	return many(standard)
}

func firstRoom(t testing.TB) uint64 {
	text := os.Getenv("DEWLINE_FIRST_ROOM")
	if text == "" {
		return 0
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("DEWLINE_FIRST_ROOM: %v", err)
	}
	return n
}
