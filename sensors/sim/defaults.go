package sim

import (
	"cmp"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"dewline/configs"
)

const (
	tankStream  = 0x74616e6b // separates the tanks' random numbers
	defaultRise = 2.8        // °C that lamps warm the litter by
)

// withDefaults fills in what is zero, on copies of the lists.
func (o Options) withDefaults() Options {
	o.Location = cmp.Or(o.Location, o.Start.Location())
	o.Step = cmp.Or(o.Step, MaxStep)
	o.Climate = o.Climate.withDefaults()
	o.House = o.House.withDefaults()
	o.Mists = slices.Clone(o.Mists)
	for i := range o.Mists {
		m := &o.Mists[i]
		m.Supply = cmp.Or(m.Supply, m.ID)
		m.Pulse = cmp.Or(m.Pulse, 90*time.Second)
	}
	o.Probes = slices.Clone(o.Probes)
	for i := range o.Probes {
		p := &o.Probes[i]
		p.Lag = cmp.Or(p.Lag, 20*time.Second)
		p.TempSigma = cmp.Or(p.TempSigma, 0.02)
		p.HumSigma = cmp.Or(p.HumSigma, 0.1)
		p.HumGain = cmp.Or(p.HumGain, 1)
	}
	return o
}

// or returns x where it was set, none where it is negative, and otherwise the
// default.
func or(x, standard float64) float64 { return max(0, cmp.Or(x, standard)) }

func (c Climate) withDefaults() Climate {
	c.Mean = cmp.Or(c.Mean, 12)
	c.YearSwing = cmp.Or(c.YearSwing, 9)
	c.DaySwing = cmp.Or(c.DaySwing, 5)
	c.WeatherSigma = or(c.WeatherSigma, 2)
	c.DewPoint = cmp.Or(c.DewPoint, 6)
	return c
}

func (h House) withDefaults() House {
	h.Tau = cmp.Or(h.Tau, 10*time.Hour)
	h.DaySet = cmp.Or(h.DaySet, 21.2)
	h.NightSet = cmp.Or(h.NightSet, 20.25)
	h.Day = cmp.Or(h.Day, span(7*60, 20*60))
	h.Swing = cmp.Or(h.Swing, 0.2)
	h.LampGain = or(h.LampGain, 4)
	h.OtherGain = or(h.OtherGain, 4)
	h.CoolPower = cmp.Or(h.CoolPower, 60)
	h.HeatPower = cmp.Or(h.HeatPower, 45)
	h.Humidity = cmp.Or(h.Humidity, 50)
	h.ShelfStep = or(h.ShelfStep, 0.2)
	return h
}

// validate reports everything that is wrong with o, defaults filled in.
func (o Options) validate() error {
	var faults []error
	say := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if o.Start.IsZero() {
		say("no start time")
	}
	if o.Step < time.Millisecond || o.Step > MaxStep {
		say("step %s outside 1ms to %s", o.Step, MaxStep)
	}
	if o.House.Tau <= 0 {
		say("house time constant %s is not positive", o.House.Tau)
	}
	o.checkTanks(say)
	o.checkProbes(say)
	return errors.Join(faults...)
}

// checkTanks reports what is wrong with timers and enclosures.
func (o Options) checkTanks(say func(string, ...any)) {
	lamps, mists, tanks := ids{}, ids{}, ids{}
	for _, l := range o.Lamps {
		lamps.add(l.ID, "lamps", say)
	}
	for _, m := range o.Mists {
		mists.add(m.ID, "mist", say)
	}
	for _, e := range o.Enclosures {
		tanks.add(e.ID, "enclosure", say)
		if e.Lamps != "" && !lamps[e.Lamps] {
			say("enclosure %q: no lamps %q", e.ID, e.Lamps)
		}
		if e.Mist != "" && !mists[e.Mist] {
			say("enclosure %q: no mist %q", e.ID, e.Mist)
		}
		e.check(say)
	}
}

// checkProbes reports what is wrong with the probes and where they hang.
func (o Options) checkProbes(say func(string, ...any)) {
	tanks := ids{"": true}
	for _, e := range o.Enclosures {
		tanks[e.ID] = true
	}
	probes := ids{}
	for _, p := range o.Probes {
		probes.add(string(p.ID), "probe", say)
		if !tanks[p.Enclosure] {
			say("probe %q: no enclosure %q", p.ID, p.Enclosure)
		}
		inTank := p.Place == configs.Litter || p.Place == configs.Canopy || p.Place == configs.Water
		if inTank != (p.Enclosure != "") {
			say("probe %q: place %q does not go with enclosure %q", p.ID, p.Place, p.Enclosure)
		}
	}
}

// ids is a set of the identifiers met so far.
type ids map[string]bool

func (s ids) add(id, what string, say func(string, ...any)) {
	switch {
	case id == "":
		say("%s without an id", what)
	case s[id]:
		say("two of %s %q", what, id)
	}
	s[id] = true
}

// check reports what is wrong with an enclosure's numbers.
func (e Enclosure) check(say func(string, ...any)) {
	if e.Litres < 0 || e.LampWatts < 0 || e.AirChanges < 0 {
		say("enclosure %q: volume, lamp heat and air changes cannot be negative", e.ID)
	}
	if g := e.Glass; g != nil && (g.AirToRoom <= 0 || g.LitterToRoom <= 0 || g.AirToLitter < 0 ||
		g.AirCapacity <= 0 || g.LitterCapacity <= 0) {
		say("enclosure %q: glass needs positive conductances and capacities, and has %+v", e.ID, *g)
	}
}

// addTanks builds the enclosures. What the options leave open varies a little
// from tank to tank, as carpentry does.
func (r *Room) addTanks(o Options) {
	for i, e := range o.Enclosures {
		vary := rand.New(rand.NewPCG(o.Seed^tankStream, uint64(i)))
		lampSpread, ventSpread := vary.NormFloat64()*0.03, vary.NormFloat64()*0.06
		e.Litres = cmp.Or(e.Litres, refLitres)
		e.AirChanges = cmp.Or(e.AirChanges, 4*(1+max(-0.15, min(0.15, ventSpread))))
		t := tank{
			Enclosure: e, glass: GlassFor(e.Litres),
			volume: e.Litres / 1000, scale: e.Litres / refLitres,
			lamps:       slices.IndexFunc(o.Lamps, func(l Lamps) bool { return l.ID == e.Lamps }),
			mist:        slices.IndexFunc(o.Mists, func(m Mist) bool { return m.ID == e.Mist }),
			shelfWarmth: o.House.ShelfStep * float64(max(0, e.Shelf-1)),
			fault:       tankFault{nozzle: 1},
		}
		if e.Glass != nil {
			t.glass = *e.Glass
		}
		if t.LampWatts == 0 {
			t.LampWatts = t.lampWattsFor(defaultRise) * (1 + max(-0.06, min(0.06, lampSpread)))
		}
		r.tanks = append(r.tanks, t)
		r.tankAt[e.ID] = i
	}
}
