package corpus

import (
	"math"
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

const (
	h = time.Hour
	d = 24 * h
)

// kinds are the rows of the table. What must be told within which time is the
// aim, not what the rules do today.
var kinds = append([]kind{
	{"heat levels off", "ps", 2, 8 * h, func(b *builder) {
		b.midday()
		b.warmTo(b.one(), between(b.rng, 1, 4), between(b.rng, 0.7, 2))
	}},
	{"heat levels off below", "s", 2, 8 * h, func(b *builder) {
		b.midday()
		b.warmTo(b.one(), -0.7, between(b.rng, 0.7, 2))
		b.tell(2*h, alarm.CauseEnclosure, alarm.AboveBand, alarm.LethalAhead)
		b.f.outside = +1
	}},
	{"heat, first day", "ps", 0, 8 * h, func(b *builder) {
		b.midday()
		b.warmTo(b.one(), between(b.rng, 1, 4), between(b.rng, 0.7, 2))
	}},
	{"heat, straight 8 °C/h", "ps", 2, 3 * h, func(b *builder) { b.midday(); b.ramp(b.one(), 8) }},
	{"heat, straight 15 °C/h", "ps", 2, 2 * h, func(b *builder) { b.midday(); b.ramp(b.one(), 15) }},
	{"heat, straight 30 °C/h", "ps", 2, h, func(b *builder) { b.midday(); b.ramp(b.one(), 30) }},
	{"heat, bad input", "ps", 2, 8 * h, func(b *builder) {
		badInput(b, b.rng.IntN(6))
		b.midday()
		b.warmTo(b.one(), between(b.rng, 1, 4), between(b.rng, 0.7, 2))
	}},
	{"heat mat, wet substrate", "ps", 2, 6 * h, func(b *builder) {
		i := b.one()
		p := b.r.probesOf(i)[0]
		b.r.probes[p].buried, b.r.probes[p].biasH = true, 0
		b.at(between(b.rng, 0, 24))
		b.warmTo(i, 3, 1)
		b.f.heat = false
	}},
	{"cooling fails, hot day", "ps", 2, 14 * h, func(b *builder) {
		b.r.outdoors, b.r.swing = between(b.rng, 25, 28), 6
		b.at(between(b.rng, 8, 11))
		b.f.drive = func(_ time.Duration, d *drive) { d.noCooling, d.hotter = true, 4 }
		b.f.heat, b.f.outside = true, +1
		b.tell(h, alarm.CauseRoom, alarm.AboveBand, alarm.LethalAhead, alarm.LethalLimit)
	}},
	{"heating fails, winter", "ps", 2, 24 * h, func(b *builder) {
		b.r.outdoors, b.r.swing = between(b.rng, -4, 2), 3
		b.at(between(b.rng, 0, 24))
		b.f.drive = func(_ time.Duration, d *drive) { d.noHeating = true }
		b.f.outside = -1
		b.tell(h, alarm.CauseRoom, alarm.BelowBand)
	}},
	{"power cut by day", "ps", 3, 8 * h, func(b *builder) {
		b.r.outdoors = between(b.rng, 4, 12)
		b.midday()
		b.f.drive = func(_ time.Duration, d *drive) {
			d.noCooling, d.noHeating = true, true
			for i := range d.lamps {
				d.lamps[i], d.spray[i] = false, 0
			}
		}
		b.tell(2*h, "power", alarm.LampStuck, alarm.BelowBand, alarm.MistMissing)
		b.f.causes = append(b.f.causes, alarm.CauseSupply)
	}},
	{"lamps stuck on", "ps", 3, 20 * h, lampsStuck(true)},
	{"lamps stuck on, cool night", "ps", 3, 20 * h, func(b *builder) {
		lampsStuck(true)(b)
		b.r.nightSet -= 3
	}},
	{"lamps stuck off", "ps", 3, 16 * h, lampsStuck(false)},
	{"timer shifted", "ps", 3, 20 * h, timerShifted},
	{"nozzle clogged", "ps", 3, 24 * h, nozzle(0, false, 2*h)},
	{"supply empty", "ps", 3, 24 * h, nozzle(0, true, 2*h)},
	{"nozzle weak", "ps", 7, 4 * d, nozzle(0.3, false, 3*d)},
	{"mister stuck on, one", "ps", 3, 8 * h, misterOn(false)},
	{"mister stuck on, all", "ps", 3, 8 * h, misterOn(true)},
	{"door at 5 a.c./h", "ps", 2, 12 * h, door(5, 6*h)},
	{"door at 15 a.c./h", "ps", 2, 6 * h, door(15, h)},
	{"door at 25 a.c./h", "ps", 2, 6 * h, door(25, h)},
	{"door at 40 a.c./h", "ps", 2, 6 * h, door(40, h)},
	{"door at 60 a.c./h", "ps", 2, 6 * h, door(60, h)},
	{"door wide open", "ps", 2, 6 * h, door(300, h)},
	{"probe frozen, 0.01 steps", "ps", 2, 10 * h, frozen(0.01, h)},
	{"probe frozen, 0.1 steps", "ps", 2, 12 * h, frozen(0.1, 6*h)},
	{"probe silent", "pso", 1, h, probeSilent},
	{"probe jumps", "pso", 2, 2 * h, probeJumps},
	{"probe drifts 0.5 °C a day", "ps", 5, 9 * d, probeDrifts},
	{"probe in water", "ps", 2, 12 * h, probeInWater},
	{"probe moved by 2.6 °C", "ps", 2, 24 * h, probeMoved},
	{"probes changed places", "ps", 3, 24 * h, probesSwapped},
	{"humidity 1 % under the floor", "ps", 2, 12 * h, func(b *builder) {
		i := b.one()
		b.r.every(func(p *probe) { p.sdH, p.biasH = 1, 0 })
		b.midday()
		b.f.drive = func(_ time.Duration, d *drive) { d.moist[i], d.spray[i] = float64(b.limits(i).Floor)-1, 0 }
		b.tell(h, alarm.CauseEnclosure, alarm.HumidityFloor)
	}},
	{"dry for 9 of 10 min", "ps", 2, 8 * h, func(b *builder) {
		i := b.one()
		b.midday()
		b.f.drive = func(since time.Duration, d *drive) {
			if d.moist[i] = 50; since%(10*time.Minute) >= 9*time.Minute {
				d.moist[i] = float64(b.limits(i).Floor) + 6
			}
		}
		b.tell(h, alarm.CauseEnclosure, alarm.HumidityFloor)
	}},
	{"warm, a cool minute each half hour", "ps", 2, 8 * h, func(b *builder) {
		i := b.one()
		b.midday()
		top := float64(b.limits(i).Day.High)
		b.f.probes = b.r.probesOf(i)
		b.f.sample = func(j int, since time.Duration, s *sensors.Sample) error {
			if b.r.probes[j].tank == i {
				v := top + 1.4 + 0.02*b.rng.NormFloat64()
				if since%(30*time.Minute) >= 29*time.Minute {
					v = top - 0.1
				}
				s.Temperature = sensors.CelsiusOf(v)
			}
			return nil
		}
		b.tell(h, alarm.CauseEnclosure, alarm.AboveBand)
	}},
	{"open room, frozen", "o", 1, 12 * h, func(b *builder) { frozen(0.01, h)(b); b.at(9); b.f.due = 0 }},
	{"open room, heat", "o", 1, 6 * h, func(b *builder) { b.midday(); b.ramp(b.one(), between(b.rng, 4, 12)) }},
	{"open house, heat", "h", 2, 12 * h, func(b *builder) { b.midday(); b.ramp(b.one(), 3) }},

	{"healthy", "ps", 0, 6 * d, nil},
	{"healthy, two weeks", "ps", 0, 14 * d, nil},
	{"healthy, winter", "ps", 0, 4 * d, func(b *builder) {
		b.r.outdoors = between(b.rng, -4, 3)
		for i := range b.r.tanks {
			b.r.tanks[i].changes *= 0.6
		}
	}},
	{"healthy, summer, mixed species", "ps", 0, 6 * d, func(b *builder) {
		b.r.outdoors, b.r.swing = between(b.rng, 20, 23), 6
		b.r.daySet, b.r.nightSet = between(b.rng, 21, 21.8), between(b.rng, 20.8, 21.5)
		for i := range b.r.tanks {
			b.r.tanks[i].species = mixedList[i]
			b.r.tanks[i].watts *= 0.75
		}
	}},
	{"healthy, hot evenings", "ps", 0, 4 * d, func(b *builder) {
		b.r.outdoors, b.r.evening = between(b.rng, 10, 13), between(b.rng, 2, 4)
		b.f.drive = func(_ time.Duration, d *drive) { d.noCooling = true }
	}},
	{"healthy, closed and wet", "ps", 0, 4 * d, func(b *builder) {
		for i := range b.r.tanks {
			b.r.tanks[i].changes, b.r.tanks[i].lush = between(b.rng, 0.1, 0.3), 2.5
		}
		b.r.openings = 0.3
	}},
	{"healthy, tinctorius within 20–25 °C", "ps", 0, 4 * d, func(b *builder) {
		for i := range b.r.tanks {
			b.r.tanks[i].species = "dendrobates-tinctorius"
			b.r.tanks[i].watts *= 0.7
		}
		b.r.daySet, b.r.nightSet = between(b.rng, 20.4, 20.8), between(b.rng, 21.2, 21.8)
		b.top = 24.7
		b.r.every(func(p *probe) { p.biasT, p.sdT = 0, min(p.sdT, 0.03) })
	}},
	{"healthy, 3 % RH of noise", "ps", 0, 3 * d, func(b *builder) { badInput(b, 0) }},
	{"healthy, 0.5 °C steps", "ps", 0, 3 * d, func(b *builder) { badInput(b, 1) }},
	{"healthy, 5 min polls", "ps", 0, 3 * d, func(b *builder) { badInput(b, 2) }},
	{"healthy, late readings", "ps", 0, 3 * d, func(b *builder) { badInput(b, 3) }},
	{"healthy, no room probe", "ps", 0, 3 * d, func(b *builder) { badInput(b, 4) }},
	{"healthy, one probe for two tanks", "ps", 0, 3 * d, func(b *builder) { badInput(b, 5) }},
	{"healthy, all probes 1 °C high", "ps", 0, 3 * d, func(b *builder) {
		b.r.every(func(p *probe) { p.biasT++; p.biasH -= 3 })
	}},
	{"healthy, the doubled hour", "ps", 0, 3 * d, func(b *builder) {
		b.r.begin = time.Date(2026, time.October, 23, 0, 0, 0, 0, must(time.LoadLocation("Europe/Berlin")))
		b.r.mist = append(b.r.mist, 150)
	}},
	{"healthy, the hour left out", "ps", 0, 3 * d, func(b *builder) {
		b.r.begin = time.Date(2026, time.March, 27, 0, 0, 0, 0, must(time.LoadLocation("Europe/Berlin")))
		b.r.mist = append(b.r.mist, 150)
	}},
	{"open room, nothing wrong", "o", 0, 4 * d, nil},
	{"open house, nothing wrong", "h", 0, 6 * d, nil},
}, slices.Concat(rackKinds, plainKinds)...)

// badInput is what cheap or careless watching does to a room.
func badInput(b *builder, which int) {
	r := b.r
	switch which {
	case 0:
		r.every(func(p *probe) { p.sdH, p.stepH = 3, 0.1 })
	case 1:
		r.every(func(p *probe) { p.stepT, p.stepH = 0.5, 1 })
	case 2:
		r.poll = 5 * time.Minute
	case 3:
		r.poll, r.jitter = time.Minute, 0.9
	case 4:
		r.probes = r.probes[1:]
	case 5:
		one, two := r.probesOf(0)[0], r.probesOf(1)[0]
		r.probes[two].twinOf = one
	}
}

// round is to the figures that a probe gives.
func (f *flaw) round(v, step float64) float64 { return math.Round(v/step) * step }
