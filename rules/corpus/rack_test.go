package corpus

import (
	"math"
	"math/rand/v2"
	"time"

	"dewline/rules/alarm"
)

// A rack is a third room: racks that stand against each other. Its air lies in three
// layers; a heat pump cycles, is set back at night and thaws in winter; a window lets
// the sun in; lamps rise and set slowly and warm the tank above them; some tanks have
// mats on thermostats or fans on timers; visitors leave doors open. Probes are slow,
// warm themselves and wander. All nodes pass heat on in proportion to a difference,
// stepped forward as they stand; figures are common practice, no source.
type rack struct {
	r   *room
	rng *rand.Rand
	rackSetup
	layers       [3]float64 // °C: floor, lower and upper shelves
	walls, cloud float64
	weather      float64 // °C
	vapour       float64 // hPa in the room
	pump         int     // +1 heats, -1 cools
	since        float64 // s in that mode
	iced, thaws  float64 // s heated since the last thaw; s of thawing left
	visit        float64 // s that somebody is still in, with the door open
	tanks        []cell
	probes       map[string]*body
}

// A rackSetup is what else its keeper has.
type rackSetup struct {
	rise      time.Duration // that lamps take to rise and to set
	window    float64       // °C/h of full sun onto the floor's air
	setback   float64       // °C at night
	span      float64       // °C between on and off of the heat pump
	weekend   bool
	strat     float64 // mixing between layers, 1/h
	oneTimer  bool    // all shelves on the first timer
	unplanned bool    // no schedule of lamps is known to dewline
	breakAt   int     // minute of the day at which lamps rest for an hour, 0 for never
	tau       float64 // s of a probe's response
	self      float64 // °C by which a probe warms itself
	flicker   float64 // °C, of each octave of its wander
}

type cell struct {
	lid, canopy, litter, bulk  float64 // °C
	e, film                    float64 // hPa; mm of water on leaves and moss
	light                      float64 // of the lamps, 0 to 1
	toLid, toRoom, toMat, glow float64 // 1/h; °C/h of full light
	mat, on                    bool    // has one; it is on
	set, hysteresis            float64 // °C of the mat's thermostat
	fan                        bool
}

// A body is a probe's own.
type body struct {
	celsius, percent float64
	octaves          [4]float64
}

// vapourOver is the pressure over water, hPa: Buck 1981 (J Appl Meteorol 20:1527), with the
// figures of his revision of 1996.
func vapourOver(t float64) float64 {
	return 6.1121 * math.Exp((18.678-t/234.5)*t/(257.14+t))
}

// onRack draws what such rooms have in common, before the fault is built.
func onRack(build func(*builder)) func(*builder) {
	return func(b *builder) {
		r := b.r
		r.tanks = append(r.tanks, r.tanks[:max(0, 8-len(r.tanks))]...)
		r.probes = r.probes[:1]
		noise := flaw{sdT: between(b.rng, 0.01, 0.08), sdH: between(b.rng, 0.2, 1.2), stepT: pick(b.rng, []float64{0.0625, 0.1, 0.1}), stepH: 0.1,
			tail: between(b.rng, 0, 0.01), loss: pick(b.rng, []float64{0, 0.02, 0.2})}
		for i := range r.tanks {
			k := &r.tanks[i]
			k.id, k.shelf, k.slot = "t"+string(rune('1'+i)), 1+i/2, 1+i%2
			k.watts = between(b.rng, 0.8, 1.2) * usualWatts(k.litres)
			p := probe{id: "p" + k.id, tank: i, place: "litter", twinOf: -1, flaw: noise}
			p.biasT, p.biasH = 0.15*b.rng.NormFloat64(), 1.5*b.rng.NormFloat64()
			r.probes = append(r.probes, p)
		}
		r.probes[0].flaw = noise
		r.jitter = between(b.rng, 0, 0.8)
		r.daySet, r.nightSet = between(b.rng, 20.5, 21.5), between(b.rng, 19.5, 20.3)
		r.rackSetup = rackSetup{rise: time.Duration(pick(b.rng, []int{0, 5, 30, 60})) * time.Minute, window: between(b.rng, 0, 1.5),
			span: between(b.rng, 0.6, 1.4), strat: between(b.rng, 4, 15), oneTimer: b.rng.IntN(2) == 0,
			tau: pick(b.rng, []float64{60, 120, 600, 1200}), self: between(b.rng, 0, 0.4), flicker: between(b.rng, 0.005, 0.03)}
		if build != nil {
			build(b)
		}
	}
}

func newRack(r *room, rng *rand.Rand) *rack {
	w := &rack{r: r, rng: rng, rackSetup: r.rackSetup, walls: r.nightSet, cloud: 0.5, probes: map[string]*body{}}
	w.layers = [3]float64{r.nightSet - 0.3, r.nightSet, r.nightSet + 0.3}
	w.vapour = 0.5 * vapourOver(r.nightSet)
	for _, k := range r.tanks {
		c := cell{lid: r.nightSet, canopy: r.nightSet, litter: r.nightSet + 0.3, bulk: r.nightSet + 0.3, e: 0.85 * vapourOver(r.nightSet), film: 1,
			toLid: between(rng, 3, 6), toRoom: between(rng, 0.8, 1.6), toMat: between(rng, 0.6, 1.2),
			glow: between(rng, 11, 16) * k.watts / usualWatts(k.litres), fan: rng.IntN(5) == 0}
		if c.mat = rng.IntN(4) == 0; c.mat {
			c.set, c.hysteresis = between(rng, 21, 21.8), between(rng, 0.6, 1.6)
		}
		w.tanks = append(w.tanks, c)
	}
	return w
}

func (w *rack) step(dt float64, d *drive) {
	w.bodies(dt)
	for ; dt > 1e-9; dt -= 10 {
		h := min(dt, 10) / 3600
		w.house(h, d)
		for i := range w.tanks {
			w.tank(h, d, i)
		}
	}
}

// layerOf is the layer that a shelf stands in.
func layerOf(shelf int) int { return min(1+shelf/3, 2) }

// house lives for h hours.
func (w *rack) house(h float64, d *drive) {
	r := w.r
	w.weather += -w.weather*h/10 + r.weather*math.Sqrt(h/5)*w.rng.NormFloat64()
	w.cloud = min(max(w.cloud+0.8*math.Sqrt(h)*w.rng.NormFloat64(), 0), 1)
	out := r.outdoors + d.hotter + w.weather + r.swing*math.Sin(2*math.Pi*(d.hour-9.3)/24)
	sun := w.window * (1 - 0.8*w.cloud) * max(0, math.Sin(math.Pi*(d.hour-6)/13))
	if d.hour < 6 || d.hour > 19 {
		sun = 0
	}
	if day := r.begin.Add(d.at).Weekday(); w.weekend && (day == time.Saturday || day == time.Sunday) && d.hour > 10 && d.hour < 18 && w.rng.Float64() < h/2 {
		w.visit = between(w.rng, 300, 1500)
	}
	leak := 0.12
	if w.visit > 0 {
		w.visit, leak = w.visit-3600*h, 0.5
	}
	w.pumps(h, out, d)
	warm := 0.0
	if w.pump > 0 && w.thaws <= 0 && !d.noHeating {
		warm = 16
	}
	if w.pump < 0 && !d.noCooling {
		warm = -12
		w.vapour += (8.5 - w.vapour) * h * 0.8
	}
	if w.thaws > 0 && !d.noHeating {
		warm = -2
	}
	mix, l := w.strat, w.layers
	if warm != 0 {
		mix *= 2
	}
	lamps := 0.0
	for i := range w.tanks {
		lamps += 0.12 * w.tanks[i].light * r.tanks[i].watts / 20
	}
	w.layers[0] += h * (mix*(l[1]-l[0]) + 4*(w.walls-l[0]) + leak*2*(out-l[0]) + sun + min(warm, 0)*0.8)
	w.layers[1] += h * (mix*(l[0]+l[2]-2*l[1]) + 4*(w.walls-l[1]) + leak*(out-l[1]) + lamps + 0.3 + warm)
	w.layers[2] += h * (mix*(l[1]-l[2]) + 3*(w.walls-l[2]) + leak*(out-l[2]) + 1.2*lamps + 0.3 + max(warm, 0))
	w.walls += h * (0.25*((l[0]+l[1]+l[2])/3-w.walls) + 0.02*(out-w.walls) + 0.1*sun)
	w.vapour += h * (0.7*(min(0.75*vapourOver(r.outdoors), vapourOver(out))+1.8-w.vapour) + 0.02*float64(len(w.tanks)))
	w.vapour = min(w.vapour, 0.9*vapourOver(l[1]))
}

// pumps is the heat pump's own control: it looks at the middle of the room, runs and
// rests for four minutes at least, and thaws after an hour of heating in the cold.
func (w *rack) pumps(h, out float64, d *drive) {
	set := w.r.daySet
	if d.hour < 7 || d.hour > 22 {
		set -= w.setback
	}
	w.since += 3600 * h
	w.thaws -= 3600 * h
	if w.pump > 0 && w.thaws <= 0 {
		if w.iced += 3600 * h; out < 4 && w.iced > 3600 {
			w.iced, w.thaws = 0, 480
		}
	}
	if w.since < 240 {
		return
	}
	was := w.pump
	switch t := w.layers[1]; {
	case w.pump == 0 && t > set+0.9+w.span/2:
		w.pump = -1
	case w.pump == 0 && t < set-w.span/2:
		w.pump = +1
	case w.pump < 0 && t < set+0.9-w.span/2, w.pump > 0 && t > set+w.span/2:
		w.pump = 0
	}
	if w.pump != was {
		w.since = 0
	}
}

// tank lives for h hours.
func (w *rack) tank(h float64, d *drive, i int) {
	k, c := &w.r.tanks[i], &w.tanks[i]
	aim := 0.0
	if d.lamps[i] && !d.sets[i] {
		aim = 1
	}
	rate := 1 / max(w.rise.Hours(), 0.05)
	c.light += min(max(aim-c.light, -rate*h), rate*h)
	room, roof := w.layers[layerOf(k.shelf)], w.layers[layerOf(k.shelf+1)]
	below := 0.0 // the lamps under its floor
	for j := range w.r.tanks {
		if o := &w.r.tanks[j]; o.shelf == k.shelf-1 && o.slot == k.slot {
			below = w.tanks[j].light * o.watts / 20
		}
	}
	switch {
	case !c.mat || c.litter > c.set+c.hysteresis/2:
		c.on = false
	case c.litter < c.set-c.hysteresis/2:
		c.on = true
	}
	heat := d.mat[i] / (0.3 * k.litres) * 3.6 // 300 J/K a litre
	if c.on && !d.noHeating {
		heat += 2.5
	}
	air := 0.15 * (k.changes + d.door[i]) // of it warms the leaves too
	if c.fan && math.Mod(d.hour, 2) < 0.25 {
		air += 2
	}
	p := *c
	drying := 0.35 * p.film / (p.film + 0.3) * max(0, vapourOver(0.5*(p.canopy+p.litter))-p.e) // hPa/h·10
	c.lid += h * (p.toLid*(p.canopy-p.lid) + 3*(roof-p.lid) + 0.7*p.glow*p.light)
	c.canopy += h * (0.7*p.toLid*(p.lid-p.canopy) + 1.5*(p.litter-p.canopy) + (p.toRoom+air)*(room-p.canopy) + 0.45*p.glow*p.light - 0.15*drying - 6*d.spray[i])
	c.litter += h * (p.toMat*(p.canopy-p.litter) + 0.4*(p.bulk-p.litter) + heat)
	c.bulk += h * (0.15*(p.litter-p.bulk) + 0.1*(room+2.5*below-p.bulk))
	vent := k.changes + d.door[i]
	if c.fan && math.Mod(d.hour, 2) < 0.25 {
		vent += 3
	}
	c.film = min(max(c.film+h*(45*d.spray[i]*0.5-0.045*drying), 0.12), 2.2)
	give := 30 * k.lush * p.film / (p.film + 0.3)
	c.e += h * (give*max(0, vapourOver(0.6*p.canopy+0.4*p.litter)-p.e)*0.6 + vent*(w.vapour-p.e) + 60*d.spray[i]*(vapourOver(p.canopy)-p.e))
	if glass := vapourOver(0.5*(p.canopy+room) + 0.6); c.e > glass {
		c.e += min(1, 10*h) * 0.5 * (glass - c.e)
	}
	if c.e = min(c.e, vapourOver(c.canopy)); d.moist[i] > 0 {
		c.e = d.moist[i] / 100 * vapourOver(0.7*c.canopy+0.3*c.litter)
	}
}

// read is what a probe without steps and noise would show: its own body's.
func (w *rack) read(p *probe) (celsius, percent float64) {
	b := w.probes[p.id]
	if b == nil {
		return w.place(p)
	}
	wander := 0.0
	for _, o := range b.octaves {
		wander += o
	}
	dry := vapourOver(b.celsius) / vapourOver(b.celsius+w.self)
	return b.celsius + w.self + wander, min(100, max(0, b.percent*dry+4*wander))
}

// place is the truth where a probe hangs.
func (w *rack) place(p *probe) (celsius, percent float64) {
	if p.tank < 0 {
		return w.layers[1], 100 * w.vapour / vapourOver(w.layers[1])
	}
	c := &w.tanks[p.tank]
	celsius = 0.7*c.canopy + 0.3*c.litter
	return celsius, min(100, 100*c.e/vapourOver(celsius))
}

// bodies lets the probes follow their places, late.
func (w *rack) bodies(dt float64) {
	for i := range w.r.probes {
		p := &w.r.probes[i]
		t, h := w.place(p)
		b := w.probes[p.id]
		if b == nil {
			b = &body{celsius: t, percent: h}
			w.probes[p.id] = b
		}
		b.celsius += (t - b.celsius) * min(1, dt/w.tau)
		b.percent += (h - b.percent) * min(1, dt/(0.6*w.tau))
		for n := range b.octaves {
			tau := 60 * math.Pow(8, float64(n))
			b.octaves[n] += -b.octaves[n]*min(1, dt/tau) + w.flicker*math.Sqrt(min(1, 2*dt/tau))*w.rng.NormFloat64()
		}
	}
}

// rackKinds are its rows.
var rackKinds = []kind{
	{"rack, mat sticks", "r", 3, 10 * h, onRack(func(b *builder) {
		i := b.one()
		b.at(between(b.rng, 0, 24))
		watts := between(b.rng, 0.7, 1.1) * b.r.tanks[i].litres
		b.f.drive = func(_ time.Duration, d *drive) { d.mat[i] = watts }
		b.f.heat = true
		b.tell(0, alarm.CauseEnclosure, alarm.LethalLimit)
	})},
	{"rack, heat through slow probes", "r", 2, 4 * h, onRack(func(b *builder) {
		b.r.tau = between(b.rng, 600, 1200)
		b.midday()
		b.ramp(b.one(), between(b.rng, 5, 12))
	})},
	{"rack, cooling fails", "r", 3, 14 * h, onRack(func(b *builder) {
		b.r.outdoors, b.r.swing, b.r.window = between(b.rng, 25, 28), 6, between(b.rng, 0.5, 2)
		b.at(between(b.rng, 8, 11))
		b.f.drive = func(_ time.Duration, d *drive) { d.noCooling, d.hotter = true, 4 }
		b.f.heat, b.f.outside = true, +1
		b.tell(h, alarm.CauseRoom, alarm.AboveBand, alarm.LethalAhead, alarm.LethalLimit)
	})},
	{"rack, heating fails", "r", 3, 24 * h, onRack(func(b *builder) {
		b.r.outdoors, b.r.swing, b.r.setback = between(b.rng, -4, 3), 3, between(b.rng, 0, 1)
		b.at(between(b.rng, 0, 24))
		b.f.drive = func(_ time.Duration, d *drive) { d.noHeating = true }
		b.f.outside = -1
		b.tell(h, alarm.CauseRoom, alarm.BelowBand)
	})},
	{"rack, power cut by day", "r", 3, 8 * h, onRack(func(b *builder) {
		b.r.outdoors = between(b.rng, 2, 12)
		b.midday()
		b.f.drive = func(_ time.Duration, d *drive) {
			d.noCooling, d.noHeating = true, true
			for i := range d.lamps {
				d.lamps[i], d.spray[i] = false, 0
			}
		}
		b.tell(2*h, alarm.CausePower, alarm.LampStuck, alarm.BelowBand, alarm.MistMissing)
	})},
	{"rack, lamps stuck on", "r", 3, 20 * h, onRack(shelfLamps(true, true))},
	{"rack, lamps stuck off", "r", 3, 16 * h, onRack(shelfLamps(false, true))},
	{"rack, one shelf's lamps stuck on", "r", 3, 20 * h, onRack(shelfLamps(true, false))},
	{"rack, one shelf's lamps dead", "r", 3, 16 * h, onRack(shelfLamps(false, false))},
	{"rack, probe frozen", "r", 3, 10 * h, onRack(func(b *builder) {
		frozen(0.01, 2*h)(b)
		b.f.due += b.r.rise
	})},
	{"rack, door at 40 a.c./h", "r", 2, 6 * h, onRack(door(40, 2*h))},
	{"rack, supply empty", "r", 3, 24 * h, onRack(nozzle(0, true, 2*h))},
	{"rack, healthy", "r", 0, 8 * d, onRack(nil)},
	{"rack, healthy, winter", "r", 0, 6 * d, onRack(func(b *builder) {
		b.r.outdoors, b.r.setback, b.r.window = between(b.rng, -5, 2), between(b.rng, 0.3, 0.8), between(b.rng, 0.5, 2)
	})},
	{"rack, healthy, visits and lamps by hand", "r", 0, 8 * d, onRack(func(b *builder) {
		b.r.weekend, b.r.unplanned, b.r.breakAt, b.r.openings = true, true, 13*60, 3
		b.f.drive = func(since time.Duration, d *drive) { // an evening with light, now and then
			if evening := int(since.Hours()/24) * 7 % 5; evening < 2 && d.hour > 20.5+float64(evening) && d.hour < 22 {
				for i := range d.lamps {
					d.lamps[i] = true
				}
			}
		}
	})},
	{"rack, healthy, coarse and lost", "r", 0, 5 * d, onRack(func(b *builder) {
		b.r.every(func(p *probe) { p.stepT, p.stepH, p.loss = 0.5, 1, 0.2 })
		b.r.poll = pick(b.rng, []time.Duration{time.Minute, 2 * time.Minute})
	})},
	{"rack, healthy, summer sun", "r", 0, 6 * d, onRack(func(b *builder) {
		b.r.outdoors, b.r.swing, b.r.window = between(b.rng, 18, 22), 6, between(b.rng, 1, 2.5)
		b.r.daySet = between(b.rng, 20, 20.8)
		for i := range b.r.tanks {
			b.r.tanks[i].watts *= 0.7
		}
	})},
}

// shelfLamps holds the lamps of a whole timer, or of one of its shelves.
func shelfLamps(on, whole bool) func(*builder) {
	return func(b *builder) {
		b.r.oneTimer = b.r.oneTimer || !whole
		shelf := 1 + b.rng.IntN(4)
		timer := b.r.timer(shelf)
		for i := range b.r.tanks {
			if s := b.r.tanks[i].shelf; s == shelf || whole && b.r.timer(s) == timer {
				b.f.tanks = append(b.f.tanks, i)
			}
		}
		b.f.drive = func(_ time.Duration, d *drive) {
			for _, i := range b.f.tanks {
				d.lamps[i], d.sets[i] = on, false
			}
		}
		if on {
			b.midday()
			b.f.due = b.minute(b.r.lampTo[timer], 0)
		} else {
			b.at(2)
			b.f.due = b.minute(b.r.lampOn[timer], 0) + b.r.rise
		}
		b.tell(2*time.Hour, alarm.CauseLamps, alarm.LampStuck)
	}
}
