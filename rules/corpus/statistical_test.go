package corpus

import (
	"math"
	"math/rand/v2"
)

// A statistical room has no physics: harmonics of the day, autoregressive
// wander, Markov visits, a mixture of two lags after the lamps, a hyperbolic
// drying after a mist with a random plateau. What a door or a fault does is a
// curve put onto it.
type statistical struct {
	r             *room
	rng           *rand.Rand
	phase         float64
	wander, visit float64 // °C
	visitor       bool
	ac, heater    float64 // °C that a fault has moved the room by
	damp          float64 // %, wander of the room's humidity
	air, dampness float64
	tanks         []series
}

type series struct {
	base, gain float64 // °C over the room; °C of the lamps
	follow     float64 // °C of the room, late
	fast, slow float64 // lamps, 0 to 1
	wander     float64 // °C
	hum, dry   float64 // % without mist, % that full lamps take
	wanderH    float64
	since      float64 // s after a mist, negative before the first
	plateau    float64 // s
	wet, tau   float64 // share of the gap to 100 that a mist fills; s
	open       float64 // 0 to 1, how far a door has let the room in
	openH      float64
	fastTau    float64
	slowTau    float64
	temp, rh   float64
	canopy     float64
}

func newStatistical(r *room, rng *rand.Rand) *statistical {
	w := &statistical{r: r, rng: rng, phase: between(rng, 14, 18)}
	for _, k := range r.tanks {
		s := series{base: between(rng, 0.2, 0.9), gain: between(rng, 2.3, 2.9) * k.watts / usualWatts(k.litres), follow: r.nightSet, since: -1,
			hum: 86 + 10*(k.lush-1.2) - 0.7*k.changes + between(rng, -1, 3), dry: between(rng, 3, 7),
			fastTau: between(rng, 900, 2700), slowTau: between(rng, 3, 6) * 3600}
		if k.changes < 0.6 {
			s.hum, s.dry = between(rng, 97.5, 99.6), between(rng, 0.2, 1.2)
		}
		w.tanks = append(w.tanks, s)
	}
	return w
}

// ar moves an autoregressive value on: sd is its spread, tau its memory in s.
func (w *statistical) ar(v *float64, dt, sd, tau float64) {
	keep := math.Exp(-dt / tau)
	*v = keep*(*v) + sd*math.Sqrt(1-keep*keep)*w.rng.NormFloat64()
}

func ease(v *float64, aim, dt, tau float64) { *v += (aim - *v) * (1 - math.Exp(-dt/tau)) }

func (w *statistical) step(dt float64, d *drive) {
	r := w.r
	w.ar(&w.wander, dt, 0.12+0.1*r.weather, 5400)
	w.ar(&w.damp, dt, 4, 6*3600)
	switch x := w.rng.Float64(); {
	case w.visitor && x < dt/1800, !w.visitor && d.hour > 8 && d.hour < 21 && x < dt/5400:
		w.visitor = !w.visitor
	}
	aim := 0.0
	if w.visitor {
		aim = 0.4
	}
	ease(&w.visit, aim, dt, 700)
	angle := 2 * math.Pi * (d.hour - w.phase) / 24
	day := (r.daySet - r.nightSet) * (0.5 + 0.6*math.Cos(angle) + 0.1*math.Cos(2*angle+1))
	day += max(0, r.outdoors-19) * 0.1 * (1 + math.Cos(angle))
	if d.noCooling {
		ease(&w.ac, 0.75*max(0, r.outdoors+d.hotter-r.daySet+3), dt, 5*3600)
	} else {
		ease(&w.ac, 0, dt, 3600)
	}
	if d.noHeating {
		ease(&w.heater, 0.8*min(0, r.outdoors-r.nightSet), dt, 9*3600)
	} else {
		ease(&w.heater, 0, dt, 3600)
	}
	evening := 0.7 * r.evening * math.Exp(-math.Pow((d.hour-21)/2.2, 2))
	w.air = r.nightSet + day + w.wander + w.visit + w.ac + w.heater + evening
	w.dampness = min(95, max(18, 47+w.damp-1.2*w.ac))
	for i := range w.tanks {
		w.tank(dt, d, i)
	}
}

func (w *statistical) tank(dt float64, d *drive, i int) {
	s := &w.tanks[i]
	on := 0.0
	if d.lamps[i] {
		on = 1
	}
	ease(&s.fast, on, dt, s.fastTau)
	ease(&s.slow, on, dt, s.slowTau)
	ease(&s.follow, w.air+0.25*float64(w.r.tanks[i].shelf-1), dt, 4500)
	w.ar(&s.wander, dt, 0.08, 2400)
	w.ar(&s.wanderH, dt, 0.8, 5400)
	lamps := 0.6*s.fast + 0.4*s.slow
	warm := s.base + s.gain*lamps + s.wander

	// A door lets the room in, the more the wider it stands.
	let := d.door[i] / (d.door[i] + 30)
	ease(&s.open, let, dt, 500)
	ease(&s.openH, let, dt, 60+1400/(4+d.door[i]))
	s.temp = s.follow + warm*(1-0.8*s.open) + d.shape[i]
	s.canopy = s.temp + 1.6*s.fast*(1-s.open)

	w.mist(s, dt, d.spray[i])
	rest := s.hum - s.dry*lamps + s.wanderH - 1.5*max(0, s.temp-27)
	rest += s.moisture() * (99.6 - rest)
	s.rh = soft(rest - 0.85*s.openH*(rest-w.dampness))
	if d.moist[i] > 0 {
		s.rh = d.moist[i]
	}
}

// mist begins an event with a plateau of its own; a weak one fills less.
func (w *statistical) mist(s *series, dt, spray float64) {
	if spray <= 0.02 {
		if s.since >= 0 {
			s.since += dt
		}
		return
	}
	if s.since < 0 || s.since > 600 {
		s.plateau, s.tau, s.wet = between(w.rng, 600, 2400), between(w.rng, 1500, 4000), 0
	}
	s.since = 0
	ease(&s.wet, min(1, 1.1*spray), dt, 45)
}

// moisture is the share of the gap to saturation that the last mist still fills.
func (s *series) moisture() float64 {
	if s.since < 0 {
		return 0
	}
	return s.wet / (1 + math.Pow(max(0, s.since-s.plateau)/s.tau, 1.4))
}

// soft bends a humidity under 100 %.
func soft(h float64) float64 { return 100 - 0.6*math.Log1p(math.Exp((100-h)/0.6)) }

func (w *statistical) read(p *probe) (celsius, percent float64) {
	if p.tank < 0 {
		return w.air, w.dampness
	}
	s := &w.tanks[p.tank]
	switch {
	case p.buried:
		return s.temp, 99.3
	case p.place == "canopy":
		return s.canopy, max(10, s.rh-4*s.fast)
	}
	return s.temp, s.rh
}
