package sim

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/sensors"
)

// A Kind names what goes wrong, or what else happens to a room.
type Kind uint8

// The kinds. The comment names the part of Target that each needs, and what
// Amount means with its default.
const (
	ACFailure       Kind = iota + 1 // room
	HeatingFailure                  // room
	RoomHeatStuckOn                 // room: a reversible unit that heats and does not cool
	PowerCut                        // room: lamps, pumps, fans and conditioning stop; probes go on
	HotSpell                        // room: outdoors warmer by Amount (10 °C)
	LampStuckOn                     // Lamps, Shelf or Enclosure
	LampStuckOff                    // Lamps, Shelf or Enclosure
	HeaterStuckOn                   // Enclosure: Amount W (50)
	SupplyOut                       // Supply: reservoir empty or pump dead
	NozzleClogged                   // Enclosure: Amount is the share that still flows (0)
	MisterStuckOn                   // Supply or Enclosure
	FogEndless                      // Enclosure: fog without water on the leaves
	VentStuckOpen                   // Enclosure: Amount air changes per hour (20)
	SealLeak                        // Enclosure: Amount air changes more (8)
	FanDead                         // Enclosure: Amount air changes per hour (0.6)
	DoorAjar                        // Enclosure: Amount air changes per hour (400)
	DoorOpened                      // Enclosure: as ajar, closed again after 2 min unless To says otherwise
	ProbeSilent                     // Probe
	ProbeFrozen                     // Probe: repeats its last value
	ProbeJump                       // Probe: a step of Amount °C (6)
	ProbePinnedWet                  // Probe: 100 %RH whatever happens
	ProbeDisagrees                  // Probe: an offset of Amount °C (2.5) that creeps in over an hour
	ProbesSwapped                   // Probe and Other
	ProbePowerOn                    // Probe: 85.00 °C
	ProbeNoisy                      // Probe: noise of Amount °C (1.5)
	numKinds
)

// A Target is what a fault befalls. The zero Target is the room.
type Target struct {
	Enclosure string
	Probe     sensors.ProbeID
	Other     sensors.ProbeID // the second of two swapped probes
	Lamps     string
	Supply    string
	Rack      string // with Shelf
	Shelf     int
}

// A Fault is one thing that goes wrong for a while.
type Fault struct {
	Kind   Kind
	On     Target
	From   time.Time
	To     time.Time // zero: until repaired by nobody
	Amount float64   // 0 takes the kind's default
}

// normalOpening is how long a keeper's door stands open.
const normalOpening = 2 * time.Minute

// need says which part of a Target a kind is aimed at.
type need uint8

const (
	theRoom need = iota
	lampsShelfOrTank
	oneTank
	oneSupply
	supplyOrTank
	oneProbe
	twoProbes
)

// A hit is what a fault befalls: one of the three.
type hit struct {
	house *houseFault
	tank  *tankFault
	probe *probeFault
	by    float64 // the fault's Amount
	since int64   // the step at which it began
}

// kinds holds each kind's name, target and default amount, and what it does to what it hits.
// What becomes of a supply, and of two probes, is more than that.
var kinds = [numKinds]struct {
	name   string
	needs  need
	amount float64
	does   func(hit)
}{
	ACFailure:       {"air-conditioner failure", theRoom, 0, func(h hit) { h.house.noCool = true }},
	HeatingFailure:  {"heating failure", theRoom, 0, func(h hit) { h.house.noHeat = true }},
	RoomHeatStuckOn: {"room heating stuck on", theRoom, 0, func(h hit) { h.house.heatStuck = true }},
	PowerCut:        {"power cut", theRoom, 0, func(h hit) { h.house.noPower = true }},
	HotSpell:        {"hot spell", theRoom, 10, func(h hit) { h.house.hotSpell += h.by }},
	LampStuckOn:     {"lamps stuck on", lampsShelfOrTank, 0, func(h hit) { h.tank.lamps = 1 }},
	LampStuckOff:    {"lamps stuck off", lampsShelfOrTank, 0, func(h hit) { h.tank.lamps = -1 }},
	HeaterStuckOn:   {"heater stuck on", oneTank, 50, func(h hit) { h.tank.heaterW += h.by }},
	SupplyOut:       {"mist supply out", oneSupply, 0, nil},
	NozzleClogged:   {"nozzle clogged", oneTank, 0, func(h hit) { h.tank.nozzle *= h.by }},
	MisterStuckOn:   {"mister stuck on", supplyOrTank, 0, func(h hit) { h.tank.spraying = true }},
	FogEndless:      {"fogger stuck on", oneTank, 0, func(h hit) { h.tank.fog = true }},
	VentStuckOpen:   {"vent stuck open", oneTank, 20, func(h hit) { h.tank.changes = h.by }},
	SealLeak:        {"seal leak", oneTank, 8, func(h hit) { h.tank.addChanges += h.by }},
	FanDead:         {"fan dead", oneTank, 0.6, func(h hit) { h.tank.changes = h.by }},
	DoorAjar:        {"door ajar", oneTank, 400, func(h hit) { h.tank.changes, h.tank.door = h.by, true }},
	DoorOpened:      {"door opened", oneTank, 400, func(h hit) { h.tank.changes, h.tank.door = h.by, true }},
	ProbeSilent:     {"probe silent", oneProbe, 0, func(h hit) { h.probe.silent = true }},
	ProbeFrozen:     {"probe frozen", oneProbe, 0, func(h hit) { h.probe.frozen = true }},
	ProbeJump:       {"probe jump", oneProbe, 6, func(h hit) { h.probe.jump += h.by }},
	ProbePinnedWet:  {"probe pinned wet", oneProbe, 0, func(h hit) { h.probe.wet = true }},
	ProbeDisagrees: {"probe disagrees", oneProbe, 2.5, func(h hit) {
		h.probe.apart, h.probe.apartSince = h.by, h.since
	}},
	ProbesSwapped: {"probes swapped", twoProbes, 0, nil},
	ProbePowerOn:  {"probe at its power-on value", oneProbe, 0, func(h hit) { h.probe.powerOn = true }},
	ProbeNoisy:    {"probe noisy", oneProbe, 1.5, func(h hit) { h.probe.noise = h.by }},
}

// String returns the kind's name in words.
func (k Kind) String() string {
	if k == 0 || k >= numKinds {
		return fmt.Sprintf("kind %d", uint8(k))
	}
	return kinds[k].name
}

// never lies beyond every step.
const never = math.MaxInt64

// planned is a fault with its times in steps.
type planned struct {
	Fault
	from, to int64
	active   bool
}

// Inject plans faults; one whose time has come acts from the next step on. An
// error names the first target that does not exist, and then none is planned.
func (r *Room) Inject(faults ...Fault) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, f := range faults {
		if err := r.check(f); err != nil {
			return fmt.Errorf("simulated room: inject %s: %w", f.Kind, err)
		}
	}
	for _, f := range faults {
		if f.Amount == 0 {
			f.Amount = kinds[f.Kind].amount
		}
		if f.Kind == DoorOpened && f.To.IsZero() {
			f.To = f.From.Add(normalOpening)
		}
		p := planned{Fault: f, from: r.stepAt(f.From), to: never}
		if !f.To.IsZero() {
			p.to = r.stepAt(f.To)
		}
		r.faults = append(r.faults, p)
		r.nextEvent = r.steps
	}
	return nil
}

// stepAt returns the first step at or after t.
func (r *Room) stepAt(t time.Time) int64 {
	d := t.Sub(r.start)
	n := int64(d / r.step)
	if d%r.step > 0 {
		n++
	}
	return n
}

func (r *Room) check(f Fault) error {
	if f.Kind == 0 || f.Kind >= numKinds {
		return errors.New("no such kind")
	}
	if !f.To.IsZero() && f.To.Before(f.From) {
		return fmt.Errorf("ends at %s, before it begins at %s",
			f.To.Format(time.RFC3339), f.From.Format(time.RFC3339))
	}
	if (f.On == Target{}) != (kinds[f.Kind].needs == theRoom) {
		return fmt.Errorf("befalls the room or something in it, and not %+v", f.On)
	}
	return r.resolve(f.On)
}

// resolve reports the first part of a target that the room does not have.
func (r *Room) resolve(on Target) error {
	if _, ok := r.tankAt[on.Enclosure]; on.Enclosure != "" && !ok {
		return fmt.Errorf("no enclosure %q", on.Enclosure)
	}
	for _, id := range []sensors.ProbeID{on.Probe, on.Other} {
		if _, ok := r.probeAt[id]; id != "" && !ok {
			return fmt.Errorf("no probe %q", id)
		}
	}
	if on.Lamps != "" && !slices.ContainsFunc(r.timers.lamps, func(l lampTimer) bool { return l.ID == on.Lamps }) {
		return fmt.Errorf("no lamps %q", on.Lamps)
	}
	if on.Supply != "" && !slices.ContainsFunc(r.timers.mists, func(m mistTimer) bool { return m.Supply == on.Supply }) {
		return fmt.Errorf("no supply %q", on.Supply)
	}
	if on.Shelf != 0 && !slices.ContainsFunc(r.tanks, func(t tank) bool { return t.Rack == on.Rack && t.Shelf == on.Shelf }) {
		return fmt.Errorf("no enclosure on shelf %d of rack %q", on.Shelf, on.Rack)
	}
	return nil
}

// applyFaults begins and ends what is due and works out anew what all faults
// in force come to.
func (r *Room) applyFaults() {
	r.house.houseFault = houseFault{}
	for i := range r.tanks {
		r.tanks[i].fault = tankFault{nozzle: 1}
	}
	for i := range r.probes {
		r.probes[i].fault = probeFault{}
	}
	r.nextEvent = never
	r.faults = slices.DeleteFunc(r.faults, func(p planned) bool { return p.to <= r.steps })
	for i := range r.faults {
		p := &r.faults[i]
		p.active = p.from <= r.steps
		if !p.active {
			r.nextEvent = min(r.nextEvent, p.from)
			continue
		}
		r.nextEvent = min(r.nextEvent, p.to)
		r.apply(p)
	}
	r.timers.dirty = true
}

// apply lets a fault act on all that it hits.
func (r *Room) apply(p *planned) {
	k, h := kinds[p.Kind], hit{by: p.Amount, since: p.from}
	i, ok := r.probeAt[p.On.Probe]
	switch {
	case k.needs == twoProbes && ok:
		j := r.probeAt[p.On.Other]
		r.probes[i].fault.swapped, r.probes[j].fault.swapped = j+1, i+1
	case k.does == nil: // see supplyOut
	case k.needs == theRoom:
		h.house = &r.house.houseFault
		k.does(h)
	case k.needs == oneProbe:
		if ok {
			h.probe = &r.probes[i].fault
			k.does(h)
		}
	default:
		for j := range r.tanks {
			if h.tank = &r.tanks[j].fault; p.hits(&r.tanks[j], r) {
				k.does(h)
			}
		}
	}
}

// hits reports whether a fault's target takes in the tank.
func (p *planned) hits(t *tank, r *Room) bool {
	on := p.On
	switch {
	case on.Enclosure != "":
		return t.ID == on.Enclosure
	case on.Lamps != "":
		return t.Enclosure.Lamps == on.Lamps
	case on.Shelf != 0:
		return t.Rack == on.Rack && t.Shelf == on.Shelf
	case on.Supply != "":
		return t.mist >= 0 && r.timers.mists[t.mist].Supply == on.Supply
	}
	return false
}
