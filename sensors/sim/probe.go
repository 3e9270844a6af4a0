package sim

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// creepTau is how slowly a polymer probe gains and loses its wet offset: 60 h
// above 80 %RH, by the data sheets of the older parts.
const (
	creepTau   = 60 * 3600.0
	creepAbove = 80.0 // %RH
)

type probe struct {
	Probe
	tank    int // -1 for room and outside
	lag     float64
	temp    float64 // what the element has come to, °C
	vapour  float64 // and g/m³
	creep   float64 // %RH
	noise   rand.PCG
	last    sensors.Sample
	hasLast bool
	fault   probeFault
}

// probeFault is what the faults in force make of a probe.
type probeFault struct {
	silent, frozen, wet, powerOn bool
	jump                         float64 // °C
	noise                        float64 // °C
	apart                        float64 // °C once crept in
	apartSince                   int64   // step
	swapped                      int     // index of the other probe plus 1
}

func (r *Room) addProbes(o Options) {
	for i, p := range o.Probes {
		k := probe{Probe: p, tank: -1, lag: 1}
		if p.Lag > 0 {
			k.lag = -math.Expm1(-r.dt / p.Lag.Seconds())
		}
		if p.Enclosure != "" {
			k.tank = r.tankAt[p.Enclosure]
			if p.Place == configs.Canopy {
				r.tanks[k.tank].canopyProbe = true
			}
		}
		name := fnv.New64a()
		name.Write([]byte(p.ID))
		k.noise = *rand.NewPCG(o.Seed, name.Sum64())
		r.probes = append(r.probes, k)
		r.probeAt[p.ID] = i
	}
}

// around returns the climate at the place where the probe hangs.
func (p *probe) around(r *Room) (tempC, vapour float64) {
	if p.tank < 0 {
		if p.Place == configs.Outdoor {
			return r.house.outdoors, r.sat.at(r.house.outdoorDew)
		}
		return r.house.temp, r.house.vapour
	}
	t := &r.tanks[p.tank]
	switch p.Place {
	case configs.Canopy:
		return t.canopyAir(), t.vapour
	case configs.Water:
		return t.litter, t.vapour
	default:
		return t.litterAir(), t.vapour
	}
}

// meet brings the element to its surroundings at once.
func (p *probe) meet(r *Room) { p.temp, p.vapour = p.around(r) }

// follow lets the element lag behind its surroundings for one step.
func (p *probe) follow(r *Room) {
	t, v := p.around(r)
	p.temp += (t - p.temp) * p.lag
	p.vapour += (v - p.vapour) * p.lag
	if p.HumCreep != 0 {
		goal := 0.0
		if r.relative(p.vapour, p.temp) > creepAbove {
			goal = p.HumCreep
		}
		p.creep += (goal - p.creep) * r.dt / creepTau
	}
}

func (p *probe) sample(r *Room) (sensors.Sample, error) {
	f := &p.fault
	switch {
	case f.silent:
		return sensors.Sample{}, sensors.Faultf(sensors.TimedOut, "probe %s: no answer", p.ID)
	case f.frozen && p.hasLast:
		return p.last, nil
	case f.powerOn:
		return p.powerOnSample(), nil
	}
	temp, vapour := p.temp, p.vapour
	if f.swapped > 0 {
		other := &r.probes[f.swapped-1]
		temp, vapour = other.temp, other.vapour
	}
	humidity := r.relative(vapour, temp)*p.HumGain + p.HumOffset + p.creep
	temp += p.TempOffset + f.jump + f.crept(r)
	noise := rand.New(&p.noise)
	temp += noise.NormFloat64() * (max(0, p.TempSigma) + f.noise)
	s := sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CelsiusOf(temp)}
	if !p.NoHumidity {
		humidity += noise.NormFloat64() * max(0, p.HumSigma)
		if f.wet {
			humidity = 100
		}
		s.Has |= sensors.HasHumidity
		s.Humidity = sensors.PercentOf(max(0, humidity))
	}
	p.last, p.hasLast = s, true
	return s, nil
}

// powerOnSample is what a DS18B20 holds before its first conversion.
func (p *probe) powerOnSample() sensors.Sample {
	s := sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CelsiusOf(85)}
	if !p.NoHumidity && p.hasLast {
		s.Has |= sensors.HasHumidity
		s.Humidity = p.last.Humidity
	}
	return s
}

// creepIn is how long a disagreement takes to come.
const creepIn = time.Hour

func (f *probeFault) crept(r *Room) float64 {
	if f.apart == 0 {
		return 0
	}
	age := time.Duration(r.steps-f.apartSince) * r.step
	return f.apart * min(1, age.Seconds()/creepIn.Seconds())
}
