package sim

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewline/sensors"
)

// Every kind does what it says while it lasts, against the same room without
// it, and a room is itself again after its end.
func TestEveryKind(t *testing.T) {
	for _, c := range effects() {
		t.Run(c.kind.String(), c.comesAndGoes)
	}
}

// An effect is what a fault looks like.
type effect struct {
	kind  Kind
	on    Target
	after time.Duration // from 11:00
	shows func(was, is Truth) bool
}

func effects() []effect {
	tank, pump := Target{Enclosure: "aa"}, Target{Supply: "pump"}
	return []effect{
		{ACFailure, Target{}, hours(4), func(was, is Truth) bool { return is.Room > was.Room+3 && is.Litter > was.Litter+1.5 }},
		{HotSpell, Target{}, hours(2), func(was, is Truth) bool { return is.Room < was.Room+1 }},
		{RoomHeatStuckOn, Target{}, hours(1), func(was, is Truth) bool { return is.Room > was.Room+3 && is.Litter > was.Litter+1 }},
		{HeatingFailure, Target{}, hours(4), func(was, is Truth) bool { return is.Room == was.Room }},
		{PowerCut, Target{}, hours(1), func(was, is Truth) bool {
			return was.LampsOn && !is.LampsOn && is.Litter < was.Litter-0.5 && is.AirChanges < was.AirChanges
		}},
		{LampStuckOff, Target{Lamps: "lamps"}, hours(2), func(was, is Truth) bool { return !is.LampsOn && is.Litter < was.Litter-1 }},
		{LampStuckOff, Target{Rack: "r", Shelf: 1}, hours(2), func(was, is Truth) bool { return !is.LampsOn && is.Canopy < was.Canopy-1 }},
		{LampStuckOn, tank, hours(13), func(was, is Truth) bool { return !was.LampsOn && is.LampsOn && is.Litter > was.Litter+1 }},
		{HeaterStuckOn, tank, hours(1), func(was, is Truth) bool { return is.Litter > was.Litter+3.5 && is.Litter < was.Litter+9 }},
		{SupplyOut, pump, hours(7.6), func(was, is Truth) bool { return was.Humidity > is.Humidity+5 && is.FilmGrams < 1 }},
		{NozzleClogged, tank, hours(7.6), func(was, is Truth) bool { return was.Humidity > is.Humidity+5 && is.FilmGrams < 1 }},
		{MisterStuckOn, tank, hours(1), func(was, is Truth) bool { return is.Misting && is.Humidity > 97 && is.Air < was.Air-0.3 }},
		{MisterStuckOn, pump, hours(1), func(was, is Truth) bool { return is.Misting && is.Humidity > 97 }},
		{FogEndless, tank, hours(1), func(was, is Truth) bool { return !is.Misting && is.Humidity > 97 }},
		{VentStuckOpen, tank, hours(2), func(was, is Truth) bool { return is.AirChanges == 20 && is.Humidity < was.Humidity-8 }},
		{SealLeak, tank, hours(2), func(was, is Truth) bool { return is.AirChanges == 12 && is.Humidity < was.Humidity-4 }},
		{FanDead, tank, hours(2), func(was, is Truth) bool { return is.AirChanges == 0.6 && is.Humidity > was.Humidity+2 }},
		{DoorAjar, tank, hours(1), func(was, is Truth) bool { return is.DoorOpen && is.Humidity < was.Humidity-15 }},
		{DoorOpened, tank, time.Minute, func(was, is Truth) bool { return is.DoorOpen && is.Humidity < was.Humidity-10 }},
	}
}

func (c effect) comesAndGoes(t *testing.T) {
	calm := mustNew(t, testRoom(3, julyAt(11, 0)))
	r := calm.Clone()
	f := Fault{Kind: c.kind, On: c.on, From: julyAt(11, 0), To: julyAt(11, 0).Add(c.after + time.Minute)}
	mustInject(t, r, f)
	for _, room := range []*Room{calm, r} {
		room.Advance(c.after)
	}
	was, is := truth(t, calm, "aa"), truth(t, r, "aa")
	if !c.shows(was, is) {
		t.Errorf("on %+v after %s: from %+v to %+v", c.on, c.after, was, is)
	}
	if len(r.faults) != 1 || !r.faults[0].active {
		t.Errorf("planned %+v", r.faults)
	}
	for _, room := range []*Room{calm, r} {
		room.Advance(36 * time.Hour)
	}
	was, is = truth(t, calm, "aa"), truth(t, r, "aa")
	if len(r.faults) != 0 || is.AirChanges != was.AirChanges || is.LampsOn != was.LampsOn || is.Misting != was.Misting {
		t.Errorf("goes on after its end: %+v", is)
	}
	within(t, "litter 36 h later", is.Litter, was.Litter, 0.4)
	within(t, "humidity 36 h later", is.Humidity, was.Humidity, 2)
}

// Heating matters in winter.
func TestHeatingFailure(t *testing.T) {
	o := testRoom(3, time.Date(2026, 1, 20, 20, 0, 0, 0, time.UTC))
	calm := mustNew(t, o)
	r := calm.Clone()
	mustInject(t, r, Fault{Kind: HeatingFailure, From: o.Start})
	calm.Advance(8 * time.Hour)
	r.Advance(8 * time.Hour)
	if was, is := truth(t, calm, "aa"), truth(t, r, "aa"); was.Litter < 20 || is.Litter > was.Litter-2 {
		t.Errorf("from %.1f to %.1f °C in a night", was.Litter, is.Litter)
	}
}

// Faults of a probe show in its samples and nowhere else.
func TestProbeKinds(t *testing.T) {
	on := Target{Probe: "aa-litter"}
	for _, c := range []struct {
		fault Fault
		shows func(r *Room, s sensors.Sample, was Truth, err error) bool
	}{
		{Fault{Kind: ProbeSilent, On: on}, func(_ *Room, _ sensors.Sample, _ Truth, err error) bool {
			return sensors.ReasonOf(err) == sensors.TimedOut
		}},
		{Fault{Kind: ProbeJump, On: on}, func(_ *Room, s sensors.Sample, was Truth, _ error) bool {
			return near(s.Temperature.Celsius(), was.Litter+6, 0.2)
		}},
		{Fault{Kind: ProbeDisagrees, On: on, Amount: -2}, func(_ *Room, s sensors.Sample, was Truth, _ error) bool {
			return near(s.Temperature.Celsius(), was.Litter-2, 0.2)
		}},
		{Fault{Kind: ProbePinnedWet, On: on}, func(_ *Room, s sensors.Sample, was Truth, _ error) bool {
			return s.Humidity == 10000 && near(s.Temperature.Celsius(), was.Litter, 0.2)
		}},
		{Fault{Kind: ProbePowerOn, On: on}, func(_ *Room, s sensors.Sample, _ Truth, _ error) bool {
			return s.Temperature == 8500
		}},
		{Fault{Kind: ProbesSwapped, On: Target{Probe: "aa-litter", Other: "ab-canopy"}}, func(r *Room, s sensors.Sample, _ Truth, _ error) bool {
			other, _ := r.Truth("ab")
			return near(s.Temperature.Celsius(), other.Canopy, 0.2)
		}},
	} {
		r := mustNew(t, testRoom(3, julyAt(11, 0)))
		c.fault.From = julyAt(12, 0)
		c.fault.To = julyAt(14, 0)
		mustInject(t, r, c.fault)
		calm := func() bool {
			s, err := r.Sample("aa-litter")
			return err == nil && near(s.Temperature.Celsius(), truth(t, r, "aa").Litter, 0.2)
		}
		r.Advance(59 * time.Minute)
		if !calm() {
			t.Errorf("%s: before its time", c.fault.Kind)
		}
		r.Advance(2 * time.Hour)
		s, err := r.Sample("aa-litter")
		if !c.shows(r, s, truth(t, r, "aa"), err) {
			t.Errorf("%s: %+v, %v, the truth is %+v", c.fault.Kind, s, err, truth(t, r, "aa"))
		}
		if s, err := r.Sample("ac-litter"); err != nil || !near(s.Temperature.Celsius(), truth(t, r, "ac").Litter, 0.2) {
			t.Errorf("%s shows in another probe: %+v, %v", c.fault.Kind, s, err)
		}
		r.Advance(2 * time.Minute)
		if !calm() {
			t.Errorf("%s: after its end", c.fault.Kind)
		}
	}
}

func near(a, b, by float64) bool { return a-b <= by && b-a <= by }

// A frozen probe repeats its last value while the tank goes on.
func TestProbeFrozen(t *testing.T) {
	r := mustNew(t, testRoom(1, julyAt(7, 0)))
	want, _ := r.Sample("aa-litter")
	mustInject(t, r, Fault{Kind: ProbeFrozen, On: Target{Probe: "aa-litter"}, From: julyAt(7, 0)})
	for range 60 {
		r.Advance(5 * time.Minute)
		if s, err := r.Sample("aa-litter"); err != nil || s != want {
			t.Fatalf("%+v, %v; frozen at %+v", s, err, want)
		}
	}
	if is := truth(t, r, "aa").Litter; near(is, want.Temperature.Celsius(), 1) {
		t.Errorf("the tank stood still too, at %.2f", is)
	}
}

func TestInjectRefuses(t *testing.T) {
	r := mustNew(t, testRoom(1, julyAt(11, 0)))
	for _, c := range []struct {
		fault Fault
		want  string
	}{
		{Fault{}, "inject kind 0: no such kind"},
		{Fault{Kind: numKinds}, "no such kind"},
		{Fault{Kind: ACFailure, On: Target{Enclosure: "aa"}}, "inject air-conditioner failure: befalls the room or something in it"},
		{Fault{Kind: LampStuckOn}, "befalls the room or something in it"},
		{Fault{Kind: DoorAjar}, "befalls the room or something in it"},
		{Fault{Kind: DoorAjar, On: Target{Enclosure: "zz"}}, `no enclosure "zz"`},
		{Fault{Kind: SupplyOut, On: Target{Supply: "zz"}}, `no supply "zz"`},
		{Fault{Kind: LampStuckOn, On: Target{Lamps: "zz"}}, `no lamps "zz"`},
		{Fault{Kind: LampStuckOn, On: Target{Rack: "r", Shelf: 9}}, `no enclosure on shelf 9 of rack "r"`},
		{Fault{Kind: ProbeSilent, On: Target{Probe: "zz"}}, `no probe "zz"`},
		{Fault{Kind: ProbesSwapped, On: Target{Probe: "room", Other: "zz"}}, `no probe "zz"`},
		{Fault{Kind: PowerCut, From: julyAt(12, 0), To: julyAt(11, 0)}, "ends at 2026-07-10T11:00:00Z, before it begins at 2026-07-10T12:00:00Z"},
	} {
		err := r.Inject(Fault{Kind: PowerCut, From: julyAt(11, 0)}, c.fault)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want %q", err, c.want)
		}
	}
	if r.faults != nil {
		t.Errorf("a refused call planned %v", r.faults)
	}
}

// Random faults take every kind in, and any room takes any of them.
func TestRandomFaults(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	seen := map[Kind]int{}
	for range 8 {
		o := RandomRoom(rng)
		r := mustNew(t, o)
		if n := len(o.Enclosures); n < 4 || n > 48 {
			t.Errorf("a room of %d tanks", n)
		}
		for range 180 {
			f := RandomFault(rng, o, o.Start)
			seen[f.Kind]++
			mustInject(t, r, f)
		}
		r.Advance(10 * time.Minute)
		for _, e := range o.Enclosures {
			if tr := truth(t, r, e.ID); !near(tr.Litter, 22, 15) || !near(tr.Humidity, 50, 50) {
				t.Errorf("after 180 faults at once: %+v", tr)
			}
		}
	}
	for k := Kind(1); k < numKinds; k++ {
		if wanted := k != HotSpell && k != DoorOpened; (seen[k] > 0) != wanted {
			t.Errorf("%s drawn %d times of 1440", k, seen[k])
		}
	}
	warm := Options{Start: julyAt(0, 0)}
	for range 200 {
		if f := RandomFault(rng, warm, julyAt(0, 0)); f.Kind == HeatingFailure {
			t.Fatal("a heating failure in July, which nobody would see")
		}
	}
	if _, ok := randomTarget(rng, Options{}, DoorAjar); ok {
		t.Error("a door in an empty room")
	}
}
