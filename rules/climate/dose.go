package climate

import (
	"math"
	"time"
)

// DoseLimits say what counts as exposure for a species and stage.
type DoseLimits struct {
	Boundary      float64       // °C; only time at or above it counts
	ReferenceTemp float64       // °C of the keeper's reference
	ReferenceTime time.Duration // time at ReferenceTemp that makes a fraction of 1
	TenfoldPer    float64       // K for ten times the weight; 3
}

// doseGap is the longest time between readings that is bridged.
const doseGap = LongestGap

// LongestGap is how late the next reading of a node may come that sends one every quarter
// of an hour, by a clock of its own.
const LongestGap = 16 * time.Minute

// doseHalf is how long below the boundary halves a dose: an assumption, no
// source.
const doseHalf = 24 * time.Hour

// doseLeast in minutes is forgotten.
const doseLeast = 0.01

// Dose is additive heat exposure. The zero value is no exposure.
type Dose struct {
	Minutes     float64       `json:"minutes"`      // equivalent minutes at the reference temperature
	DegreeHours float64       `json:"degree_hours"` // °C h above the boundary, as long as any dose is left
	Unknown     time.Duration `json:"unknown"`      // time in gaps while there was a dose or heat, not counted
	Last        time.Duration `json:"last"`
	LastTemp    float64       `json:"last_temp"`
	Started     bool          `json:"started"`
}

// Observe adds the time since the last reading, with the temperature taken as
// a straight line between both, as at most hottest. A gap of more than 15 minutes is not bridged:
// it adds to Unknown and repairs nothing.
func (d *Dose) Observe(l DoseLimits, at time.Duration, celsius float64) {
	if !finite(celsius) || d.Started && at <= d.Last {
		return
	}
	if celsius > l.ReferenceTemp { // what is hottest is no cooler
		celsius = min(celsius, l.hottest())
	}
	dt, from := at-d.Last, d.LastTemp
	started := d.Started
	d.Last, d.LastTemp, d.Started = at, celsius, true
	if !started {
		return
	}
	hot := from >= l.Boundary || celsius >= l.Boundary
	if !hot && d.Minutes == 0 {
		return
	}
	if dt > doseGap {
		d.Unknown += dt
		return
	}
	below := d.add(l, dt, from, celsius)
	if below > 0 && d.Minutes > 0 {
		d.Minutes *= math.Exp2(-float64(below) / float64(doseHalf))
		if d.Minutes < doseLeast {
			d.Minutes, d.DegreeHours, d.Unknown = 0, 0, 0
		}
	}
}

// add integrates the part of the line at or above the boundary and returns the
// time that was below it.
func (d *Dose) add(l DoseLimits, dt time.Duration, from, to float64) (below time.Duration) {
	if from < l.Boundary && to < l.Boundary {
		return dt
	}
	share := 1.0 // of dt above
	a, b := from, to
	if a < l.Boundary {
		share, a = (b-l.Boundary)/(b-a), l.Boundary
	} else if b < l.Boundary {
		share, b = (a-l.Boundary)/(a-b), l.Boundary
	}
	above := share * dt.Minutes()
	d.Minutes += above * l.meanWeight(a, b)
	d.DegreeHours += above / 60 * ((a+b)/2 - l.Boundary)
	return time.Duration((1 - share) * float64(dt))
}

// hottest in °C is where a minute is all of the reference: what is hotter counts no more,
// or the few readings of a probe that fails would be a dose for months.
func (l DoseLimits) hottest() float64 {
	return l.ReferenceTemp + l.TenfoldPer*math.Log10(max(l.ReferenceTime.Minutes(), 1))
}

// weight is how many minutes at the reference one minute at celsius counts as.
func (l DoseLimits) weight(celsius float64) float64 {
	return math.Pow(10, (celsius-l.ReferenceTemp)/l.TenfoldPer)
}

// meanWeight is the exact mean of weight along the line from a to b.
func (l DoseLimits) meanWeight(a, b float64) float64 {
	if math.Abs(b-a) < 1e-6*l.TenfoldPer {
		return l.weight((a + b) / 2)
	}
	return (l.weight(b) - l.weight(a)) * l.TenfoldPer / (math.Ln10 * (b - a))
}

// Fraction returns the share of the reference that has been used; 1 is all.
func (d *Dose) Fraction(l DoseLimits) float64 {
	if l.ReferenceTime <= 0 {
		return 0
	}
	return d.Minutes / l.ReferenceTime.Minutes()
}
