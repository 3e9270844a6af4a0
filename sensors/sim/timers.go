package sim

import (
	"slices"
	"time"

	"dewline/configs"
)

// timers are the switches of lamps and pumps. They keep local time: a pulse
// that the spring change skips comes right after it, and one that the autumn
// change would repeat comes once.
type timers struct {
	lamps  []lampTimer
	mists  []mistTimer
	lit    float64 // share of tanks with lamps that have them on
	last   int64   // Unix minute looked at last
	clock  int     // minute of the day then
	date   int     // day number then
	dirty  bool
	closes int64 // step at which the next pulse ends
}

type lampTimer struct {
	configs.Lamps
	on bool
}

type mistTimer struct {
	Mist
	steps int64 // length of a pulse
	until int64 // step at which the pulse ends
	fired []int // date on which each time last fired
}

func newTimers(o Options) timers {
	t := timers{last: -1 << 62, date: -1, closes: never}
	for _, l := range o.Lamps {
		t.lamps = append(t.lamps, lampTimer{Lamps: l})
	}
	for _, m := range o.Mists {
		steps := int64((m.Pulse + o.Step - 1) / o.Step)
		t.mists = append(t.mists, mistTimer{
			Mist: m, steps: steps, until: -1 << 62, fired: make([]int, len(m.Times)),
		})
	}
	return t
}

func (t *timers) clone() timers {
	c := *t
	c.lamps = slices.Clone(t.lamps)
	c.mists = slices.Clone(t.mists)
	for i := range c.mists {
		c.mists[i].fired = slices.Clone(c.mists[i].fired)
	}
	return c
}

// step looks at the clock once a minute and ends pulses when they are due.
func (t *timers) step(r *Room) {
	if m := int64(r.unix()) / 60; m != t.last {
		t.last = m
		t.minute(r, r.wall())
	}
	if r.steps >= t.closes {
		t.dirty = true
	}
	if t.dirty {
		r.refresh()
	}
}

// minute switches what the local time asks for.
func (t *timers) minute(r *Room, local time.Time) {
	minute := local.Hour()*60 + local.Minute()
	date := local.Year()*366 + local.YearDay()
	for i := range t.lamps {
		on := t.lamps[i].On.Covers(local, r.loc)
		t.dirty = t.dirty || on != t.lamps[i].on
		t.lamps[i].on = on
	}
	r.house.day = r.house.Day.Covers(local, r.loc)
	for i := range t.mists {
		m := &t.mists[i]
		if t.due(m, minute, date) {
			m.until = r.steps + m.steps
			t.dirty = true
		}
	}
	t.clock, t.date = minute, date
}

// due reports whether one of m's times has come since the last look.
func (t *timers) due(m *mistTimer, minute, date int) bool {
	before := t.clock
	switch {
	case t.date < 0:
		before = minute // just started: what lies behind is past
	case date != t.date:
		before = -1
	}
	fire := false
	for i, at := range m.Times {
		if before < int(at) && int(at) <= minute && m.fired[i] != date {
			m.fired[i] = date
			fire = true
		}
	}
	return fire
}

// refresh makes every tank what timers and faults demand.
func (r *Room) refresh() {
	t := &r.timers
	t.dirty, t.closes = false, never
	for i := range t.mists {
		if t.mists[i].until > r.steps {
			t.closes = min(t.closes, t.mists[i].until)
		}
	}
	withLamps, lit := 0, 0
	for i := range r.tanks {
		k := &r.tanks[i]
		r.switchTank(k)
		if k.lamps >= 0 {
			withLamps++
			if k.lampsOn {
				lit++
			}
		}
	}
	t.lit = 0
	if withLamps > 0 {
		t.lit = float64(lit) / float64(withLamps)
	}
}

// fanlessShare of the air changes goes on by itself when fans stop.
const fanlessShare = 0.5

func (r *Room) switchTank(k *tank) {
	power := !r.house.noPower
	k.lampsOn = k.lamps >= 0 && power && k.fault.lamps >= 0 &&
		(r.timers.lamps[k.lamps].on || k.fault.lamps > 0)
	k.lampW, k.layer = 0, 0
	if k.lampsOn {
		k.lampW = k.lampWatts
		k.layer = canopyLayer * k.lampW / k.glass.Loss()
	}
	k.heaterW = 0
	if power {
		k.heaterW = k.fault.heaterW
	}
	pulse := k.mist >= 0 && r.timers.mists[k.mist].until > r.steps && !r.supplyOut(k.mist)
	k.flow = 0
	if power && (pulse || k.fault.spraying) {
		k.flow = sprayFlow * k.scale * k.fault.nozzle
	}
	k.fog = k.fault.fog && power
	k.changes = k.AirChanges
	if !power {
		k.changes *= fanlessShare
	}
	if k.fault.changes > 0 {
		k.changes = k.fault.changes
	}
	k.changes += k.fault.addChanges
	k.setFlow(r.dt)
}

// supplyOut reports whether the pump behind a mist timer gives nothing.
func (r *Room) supplyOut(mist int) bool {
	supply := r.timers.mists[mist].Supply
	return slices.ContainsFunc(r.faults, func(p planned) bool {
		return p.active && p.Kind == SupplyOut && p.On.Supply == supply
	})
}

// span is the default working day of the house.
func span(from, to int) configs.ClockSpan {
	return configs.ClockSpan{From: configs.ClockTime(from), To: configs.ClockTime(to)}
}
