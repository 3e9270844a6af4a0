package corpus

import (
	"math"
	"math/rand/v2"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A plain room is as simple as one can be, so that its figures can be anybody's:
// each tank is air over a mass, each flow is in proportion to a difference and
// solved exactly within a step. What differs is how the room is kept: by a stove,
// an air conditioner with long cycles, the ground around a basement, or not at all.
// Figures are common practice, no source.
type plain struct {
	r     *room
	rng   *rand.Rand
	house *household
	air   float64 // °C
	walls float64
	water float64 // hPa
	out   float64 // °C that the weather adds
	on    bool    // what heats or cools
	tanks []pot
}

// A household is how a room is kept.
type household struct {
	how   keeping
	swing float64    // °C between on and off, or that a stove adds
	cycle float64    // h of an air conditioner's
	wet   float64    // hPa of the outdoor air
	gain  [2]float64 // °C that the lamps of each timer add in the end, from and to
	cable float64    // °C that a heat cable under the second shelf adds while it is on
}

type keeping uint8

const (
	thermostat keeping = iota
	longCycles
	stove
	basement
	unkept
)

type pot struct {
	air, mass, water, film float64 // °C, °C, hPa, share
	light                  float64
	toMass, toRoom, deep   float64 // 1/h
	through                float64 // 1/h of the mass to the room
	gain                   float64 // °C of full light in the end
	moss                   float64 // 1/h of water from the mass
	cable                  bool
	shape                  float64 // °C that a fault adds
}

// asPlain draws such a room before the fault is built.
func asPlain(how keeping, build func(*builder)) func(*builder) {
	return func(b *builder) {
		r := b.r
		r.poll = pick(b.rng, []time.Duration{10 * time.Second, 30 * time.Second, time.Minute, 2 * time.Minute, 5 * time.Minute})
		r.rise = time.Duration(pick(b.rng, []int{0, 0, 20, 45})) * time.Minute
		if b.rng.IntN(2) == 0 { // another room's schedule
			r.lampOn[1], r.lampTo[1] = r.lampOn[0]+60*pick(b.rng, []int{-2, 1, 2}), r.lampTo[0]+60*pick(b.rng, []int{-2, -1, 1})
		}
		step := pick(b.rng, []float64{0.01, 0.0625, 0.1, 0.5})
		r.probes = r.probes[:1]
		noise := flaw{sdT: between(b.rng, 0.01, 0.3), sdH: between(b.rng, 0.1, 1), stepT: step, stepH: max(0.1, 2*step)}
		for i := range r.tanks {
			k := &r.tanks[i]
			k.litres, k.changes = pick(b.rng, []float64{20, 40, 91, 240, 500, 800}), between(b.rng, 0.3, 1.6)
			p := probe{id: "p" + k.id, tank: i, place: pick(b.rng, []string{"litter", "canopy"}), twinOf: -1, flaw: noise}
			p.biasT, p.biasH = 0.12*b.rng.NormFloat64(), b.rng.NormFloat64()
			r.probes = append(r.probes, p)
		}
		r.probes[0].flaw = noise
		lamps := pick(b.rng, [][2]float64{{0.9, 1.6}, {2, 3.5}, {3, 8}})
		r.house = &household{how: how, swing: between(b.rng, 0.6, 2), cycle: between(b.rng, 0.5, 0.8), wet: between(b.rng, 7, 11), gain: lamps}
		r.daySet, r.nightSet = 24.2-0.75*lamps[1], 24.2-0.75*lamps[1]-between(b.rng, 0, 1)
		r.daySet, r.nightSet = max(r.daySet, 19.8), max(r.nightSet, 19.2)
		switch how {
		case unkept:
			r.outdoors, r.swing, r.weather = between(b.rng, 24.6, 25.4), between(b.rng, 1.2, 2), 0.3
			r.house.gain, r.house.wet = [2]float64{0.5, 1.2}, 22
		case basement:
			r.outdoors, r.swing, r.weather = r.nightSet, 0, 0.1
		case stove:
			r.outdoors = between(b.rng, 0, 8)
			r.house.swing = between(b.rng, 1.5, 3)
		}
		for i := range r.tanks {
			r.tanks[i].watts = between(b.rng, r.house.gain[0], r.house.gain[1])
		}
		if build != nil {
			build(b)
		}
	}
}

func newPlain(r *room, rng *rand.Rand) *plain {
	w := &plain{r: r, rng: rng, house: r.house, air: r.nightSet, walls: r.nightSet, water: 0.5 * over(r.nightSet)}
	for i, k := range r.tanks {
		size := math.Sqrt(k.litres / 91)
		w.tanks = append(w.tanks, pot{air: r.nightSet + 0.3, mass: r.nightSet + 0.3, water: 0.88 * over(r.nightSet), film: 0.8,
			toMass: between(rng, 2, 5), toRoom: between(rng, 0.8, 2), deep: between(rng, 0.15, 0.4) / size, through: between(rng, 0.1, 0.3) / size,
			gain: k.watts, moss: between(rng, 9, 22), cable: r.house.cable > 0 && r.tanks[i].shelf == 2})
	}
	return w
}

// over is the pressure over water in hPa after Tetens 1930 (Z Geophys 6:297).
func over(t float64) float64 { return 6.1078 * math.Exp(17.269*t/(237.3+t)) }

// toward is where a value that is drawn by several others is after h hours.
func toward(v, h float64, by ...[2]float64) float64 {
	sum, all := 0.0, 0.0
	for _, b := range by {
		sum, all = sum+b[0], all+b[0]*b[1]
	}
	if sum == 0 {
		return v
	}
	return v + (all/sum-v)*(1-math.Exp(-sum*h))
}

func (w *plain) step(dt float64, d *drive) {
	r, h := w.r, dt/3600
	w.out += -w.out*h/9 + r.weather*math.Sqrt(2*h/9)*w.rng.NormFloat64()
	out := r.outdoors + d.hotter + w.out + r.swing*math.Cos(2*math.Pi*(d.hour-15)/24)
	w.keep(h, out, d)
	w.walls = toward(w.walls, h, [2]float64{0.2, w.air}, [2]float64{0.03, out})
	w.water = toward(w.water, h, [2]float64{0.5, min(w.house.wet, over(out))}, [2]float64{0.1, 0.6 * over(w.air)})
	for i := range w.tanks {
		w.tank(h, d, i)
	}
}

// keep lives in the room for h hours.
func (w *plain) keep(h, out float64, d *drive) {
	r, k := w.r, w.house
	set := r.nightSet
	if r.lit(0, int(d.hour*60)) {
		set = r.daySet
	}
	pull, aim := 0.0, set
	switch k.how {
	case thermostat:
		if pull = 8; aim > w.air && d.noHeating || aim < w.air && d.noCooling {
			pull = 0
		}
	case longCycles: // cools down to below and lets it rise again
		switch {
		case w.air > set+k.swing/2:
			w.on = true
		case w.air < set-k.swing/2:
			w.on = false
		}
		switch {
		case w.on && !d.noCooling:
			pull, aim = 1.5/k.cycle, set-2*k.swing
		case !w.on && out < set && !d.noHeating:
			pull, aim = 1/k.cycle, set+2*k.swing
		}
	case stove: // lit in the evening, and the room is kept from freezing out
		fire := max(0, math.Sin(math.Pi*(d.hour-16.5)/6))
		if d.hour < 16.5 || d.hour > 22.5 {
			fire = 0
		}
		if pull, aim = 8, set+fire*k.swing; d.noHeating || w.air > aim+0.5 {
			pull = 0
		}
	case basement:
		pull, aim = 0.6, r.nightSet+0.3
		if d.noHeating {
			aim -= 5
		}
	}
	lamps := 0.0
	for i := range w.tanks {
		lamps += 0.04 * w.tanks[i].light * w.tanks[i].gain
	}
	w.air = toward(w.air, h, [2]float64{pull, aim}, [2]float64{1.2, w.walls}, [2]float64{0.25, out}) + h*lamps
}

func (w *plain) tank(h float64, d *drive, i int) {
	k, c := &w.r.tanks[i], &w.tanks[i]
	aim := 0.0
	if d.lamps[i] && !d.sets[i] {
		aim = 1
	}
	rate := h / max(w.r.rise.Hours(), 0.02)
	c.light += min(max(aim-c.light, -rate), rate)
	vent := k.changes + d.door[i]
	through := c.toMass * c.through / (c.deep + c.through)          // of the mass, where it has followed
	lit := c.light * c.gain * (c.toRoom + 0.25*k.changes + through) // °C/h: with its door shut it ends by gain over the room
	warm := 0.0
	if c.cable && c.mass < w.r.nightSet+1.5 && !d.noHeating {
		warm = w.house.cable
	}
	air := toward(c.air, h, [2]float64{c.toMass, c.mass}, [2]float64{c.toRoom + 0.25*vent, w.air}) + h*lit - 1.8*h*d.spray[i]
	c.mass = toward(c.mass, h, [2]float64{c.deep, c.air}, [2]float64{c.through, w.air}) + h*warm
	c.air, c.shape = air, d.shape[i]
	c.film = min(1.5, max(0.2, c.film*math.Exp(-0.02*h)+d.spray[i]*40*h))
	fog := 0.0
	if d.spray[i] > 0 {
		fog = 80 * d.spray[i]
	}
	c.water = toward(c.water, h, [2]float64{c.moss * min(1, c.film), over(c.mass)}, [2]float64{vent, w.water}, [2]float64{fog, over(c.air)})
	if c.water = min(c.water, over(c.air)); d.moist[i] > 0 {
		c.water = d.moist[i] / 100 * over(c.air)
	}
}

func (w *plain) read(p *probe) (celsius, percent float64) {
	if p.tank < 0 {
		return w.air, min(100, 100*w.water/over(w.air))
	}
	c := &w.tanks[p.tank]
	if p.buried {
		return c.mass + c.shape, 99.4
	}
	return c.air + c.shape, min(100, 100*c.water/over(c.air+c.shape))
}

// heats adds a course in °C to one tank until it is well above its lethal limit.
func (b *builder) heats(course func(hours float64) float64) {
	i := b.one()
	b.midday()
	limit := float64(b.limits(i).Lethal)
	b.f.drive = func(since time.Duration, d *drive) {
		d.shape[i] = min(course(since.Hours()), max(0, limit+4-b.f.start))
	}
	b.f.heat = true
	b.tell(0, alarm.CauseEnclosure, alarm.LethalLimit)
}

// plainKinds are its rows.
var plainKinds = func() (list []kind) {
	add := func(name string, settle float64, watch time.Duration, how keeping, build func(*builder)) {
		list = append(list, kind{"plain, " + name, "n", settle, watch, asPlain(how, build)})
	}
	add("heat straight", 3, 4*h, thermostat, func(b *builder) {
		rate := between(b.rng, 2, 30)
		b.heats(func(hours float64) float64 { return rate * hours })
	})
	add("heat levels off", 3, 8*h, longCycles, func(b *builder) {
		lag, over := between(b.rng, 0.3, 1.6), between(b.rng, 0.5, 5)
		b.heats(func(hours float64) float64 {
			i := b.f.tanks[0]
			return max(0, float64(b.limits(i).Lethal)+over-b.f.start) * (1 - math.Exp(-hours/lag))
		})
	})
	add("heat in steps", 3, 8*h, basement, func(b *builder) {
		up, each := between(b.rng, 0.7, 1.8), between(b.rng, 0.15, 0.5)
		b.heats(func(hours float64) float64 { // each step takes a few minutes
			n := math.Floor(hours / each)
			return up * (n + 1 - math.Exp(-(hours-n*each)/0.06))
		})
	})
	add("heat mat, wet substrate", 3, 6*h, thermostat, func(b *builder) {
		lag := between(b.rng, 0.5, 2)
		b.heats(func(hours float64) float64 { return 14 * (1 - math.Exp(-hours/lag)) })
		b.r.probes[b.r.probesOf(b.f.tanks[0])[0]].buried = true
		b.f.heat = false
	})
	add("heat wave", 4, 14*h, unkept, func(b *builder) {
		b.at(between(b.rng, 7, 10))
		b.f.drive = func(since time.Duration, d *drive) { d.hotter = min(14, 2.5*since.Hours()) }
		b.f.heat = true
		b.tell(14*h, alarm.CauseRoom, alarm.LethalAhead, alarm.LethalLimit)
	})
	add("cooling fails", 3, 14*h, longCycles, func(b *builder) {
		b.r.outdoors, b.r.swing = between(b.rng, 25, 28), 5
		b.at(between(b.rng, 8, 11))
		b.f.drive = func(_ time.Duration, d *drive) { d.noCooling, d.hotter = true, 5 }
		b.f.heat, b.f.outside = true, +1
		b.tell(h, alarm.CauseRoom, alarm.AboveBand, alarm.LethalAhead, alarm.LethalLimit)
	})
	for _, how := range []keeping{thermostat, stove} {
		add(map[keeping]string{thermostat: "heater fails", stove: "stove out"}[how], 4, 24*h, how, func(b *builder) {
			b.r.outdoors, b.r.swing = between(b.rng, -6, 2), 3
			b.at(between(b.rng, 0, 24))
			b.f.drive = func(_ time.Duration, d *drive) { d.noHeating = true }
			b.f.outside = -1
			b.tell(h, alarm.CauseRoom, alarm.BelowBand)
		})
	}
	add("power cut", 4, 8*h, thermostat, func(b *builder) {
		b.r.outdoors = between(b.rng, 2, 12)
		b.midday()
		b.f.drive = func(_ time.Duration, d *drive) {
			d.noCooling, d.noHeating = true, true
			for i := range d.lamps {
				d.lamps[i], d.spray[i] = false, 0
			}
		}
		b.tell(2*h, alarm.CausePower, alarm.LampStuck, alarm.BelowBand, alarm.MistMissing)
		b.f.causes = append(b.f.causes, alarm.CauseSupply)
	})
	for how, name := range []string{thermostat: "thermostat", longCycles: "long cycles", stove: "stove", basement: "basement"} {
		add("lamps stuck on, "+name, 4, 20*h, keeping(how), plainLamps(true, 0))
		add("lamps stuck off, "+name, 4, 16*h, keeping(how), plainLamps(false, 0))
	}
	add("lamps stuck on, cool night", 4, 20*h, thermostat, plainLamps(true, 3))
	add("faint lamps stuck on", 4, 20*h, thermostat, func(b *builder) {
		b.faint()
		plainLamps(true, 0)(b)
	})
	add("door at 25 a.c./h", 3, 6*h, basement, door(25, h))
	add("door at 40 a.c./h", 3, 6*h, longCycles, door(40, h))
	add("door wide open", 3, 6*h, stove, door(300, h))
	add("probes changed places", 4, 24*h, thermostat, probesSwapped)
	add("places, and a door before", 4, 24*h, thermostat, func(b *builder) {
		probesSwapped(b)
		p, q := b.f.probes[0], b.f.probes[1]
		x := b.r.probes[p].tank
		b.f.from -= time.Hour // the fault begins with a door that somebody opens and shuts
		swapped, late := b.f.sample, time.Duration(between(b.rng, 3, 28)*float64(time.Minute))
		b.f.drive = func(since time.Duration, d *drive) {
			if since < 3*time.Minute {
				d.door[x] = 100
			}
		}
		b.f.sample = func(j int, since time.Duration, s *sensors.Sample) error {
			if since < late {
				return nil
			}
			return swapped(j, since-late, s)
		}
		b.f.probes = []int{p, q}
	})
	for _, c := range []struct {
		name             string
		celsius, percent float64 // a week
	}{{"0.2 °C", 0.2, 0}, {"0.5 °C", 0.5, 0}, {"1 %", 0, 1}} {
		add("probe drifts by "+c.name+" a week", 30, 42*d, thermostat, func(b *builder) {
			b.r.poll = 5 * time.Minute
			b.at(0)
			b.probeDoes(42*d, alarm.ProbeOverdue, func(since time.Duration, s *sensors.Sample) error {
				s.Temperature += sensors.CelsiusOf(c.celsius * since.Hours() / 168)
				s.Humidity = min(10000, s.Humidity+sensors.PercentOf(c.percent*since.Hours()/168))
				return nil
			})
			b.f.notes = true
		})
	}
	for how, name := range []string{"thermostat", "long cycles", "stove", "basement", "tropical"} {
		add("healthy, "+name, 0, 8*d, keeping(how), nil)
	}
	add("healthy, heat cable", 0, 8*d, thermostat, func(b *builder) { b.r.house.cable = 1.2 })
	add("healthy, faint lamps", 0, 8*d, longCycles, (*builder).faint)
	add("healthy, a siesta", 0, 8*d, thermostat, func(b *builder) { b.r.breakAt = 13 * 60 })
	add("healthy, ten weeks", 0, 70*d, thermostat, func(b *builder) {
		b.r.poll = 5 * time.Minute
		b.f.drive = func(since time.Duration, d *drive) { d.hotter = 8 * since.Hours() / (70 * 24) }
	})
	return list
}()

// faint makes lamps that hardly warm.
func (b *builder) faint() {
	for i := range b.r.tanks {
		b.r.tanks[i].watts = between(b.rng, 0.2, 0.5)
	}
}

// plainLamps holds the lamps of one timer, in a night that is cooler by so much.
func plainLamps(on bool, cooler float64) func(*builder) {
	return func(b *builder) {
		lampsStuck(on)(b)
		b.r.nightSet -= cooler
		if !on {
			b.f.within += b.r.rise
		}
	}
}
