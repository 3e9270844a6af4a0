package probes

import (
	"math"
	"slices"
	"time"

	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// Drift compares a probe with the rest of the rack by night, when lamps are off
// and nobody opens a door. Enclosures differ, so what counts is how the
// difference moves from week to week since the calibration.
type Drift struct {
	Sum    float64            `json:"sum,omitempty"` // of this night's differences
	Num    int                `json:"num,omitempty"`
	Nights [nightsAWeek]int16 `json:"nights"` // mean differences, hundredths
	NumN   uint8              `json:"num_n,omitempty"`
	Weeks  [driftWeeks]int16  `json:"weeks"` // medians of seven nights, newest first
	NumW   uint8              `json:"num_w,omitempty"`
	// Base is the median of the first weeks after the calibration.
	Base    int16 `json:"base,omitempty"`
	HasBase bool  `json:"has_base,omitempty"`
}

const (
	nightsAWeek = 7
	driftWeeks  = 4 // make the base, and so many are remembered
	driftRecent = 2 // weeks in a row that must say so
	nightFrom   = 2 // local hours
	nightTo     = 5
	nightLeast  = 15 // looks that make a night; once a minute, or as the readings come
	// A probe that creeps by 3 %RH hides as much of the floor; the data sheets
	// of SHT3x and SHT4x name that much after long wet spells. Half a degree is
	// more than any calibrated probe drifts in a year.
	driftHum  = 300 // hundredths of a percent
	driftTemp = 50  // hundredths of °C
)

// rackLeast is how many probes make a rack to compare with.
const rackLeast = 5

func (d *Drift) add(difference int32) {
	d.Sum += float64(difference)
	d.Num++
}

// night closes a night, and a week with every seventh.
func (d *Drift) night() {
	if d.Num == 0 {
		return
	}
	mean := d.Sum / float64(d.Num)
	enough := d.Num >= nightLeast
	d.Sum, d.Num = 0, 0
	if !enough || math.Abs(mean) > math.MaxInt16 {
		return
	}
	d.Nights[d.NumN%nightsAWeek] = int16(math.Round(mean))
	if d.NumN++; d.NumN < nightsAWeek {
		return
	}
	d.NumN = 0
	copy(d.Weeks[1:], d.Weeks[:])
	d.Weeks[0] = middleOf(d.Nights[:])
	if d.NumW < driftWeeks {
		d.NumW++
	}
	if d.NumW == driftWeeks && !d.HasBase {
		d.Base, d.HasBase = middleOf(d.Weeks[:]), true
	}
}

// middleOf returns the median of a few values, the lower one of two.
func middleOf(s []int16) int16 {
	var list [nightsAWeek]int16
	n := copy(list[:], s)
	slices.Sort(list[:n])
	return list[(n-1)/2]
}

// moved returns by how many hundredths the probe stands away from where it
// stood after its calibration: the least of the last weeks, so that one odd
// week says nothing. Zero means that nothing is known.
func (d *Drift) moved() int32 {
	if !d.HasBase {
		return 0
	}
	least := int32(d.Weeks[0]) - int32(d.Base)
	for _, w := range d.Weeks[1:driftRecent] {
		off := int32(w) - int32(d.Base)
		if (off > 0) != (least > 0) {
			return 0
		}
		if room.Abs(off) < room.Abs(least) {
			least = off
		}
	}
	return least
}

// How far a dew point may stand above every other surface, and for how long.
// Water condenses on what is colder than the dew point, so air cannot stay
// that wet; lamps may warm a wet leaf a little above its surroundings.
const (
	dewAbove = 200 // hundredths of °C
	dewFor   = 30 * time.Minute
)

// compareNight adds a minute of the night to every probe's comparison with the
// rack, and closes the night once it is over.
func (l look) compareNight(now sensors.Instant) {
	hour := l.v.Hour(now)
	switch {
	case hour < 0:
		return
	case hour < nightFrom || hour >= nightTo:
		if l.nightOpen {
			l.nightOpen = false
			for i := range l.v.Probes {
				l.At[i].HumDrift.night()
				l.At[i].TempDrift.night()
			}
		}
		return
	}
	l.nightOpen = true
	temp, okTemp := l.rack(func(p probe) (int32, bool) { return int32(p.St.Temp), p.Usable(&l.v.Cfg.Rules, now.Mono) })
	hum, okHum := l.rack(func(p probe) (int32, bool) { return int32(p.St.Hum), p.HumUsable(&l.v.Cfg.Rules, now.Mono) })
	for i := range l.v.Probes {
		p := l.at(i)
		if p.Encl < 0 {
			continue
		}
		if okTemp && p.Usable(&l.v.Cfg.Rules, now.Mono) {
			p.TempDrift.add(int32(p.St.Temp) - temp)
		}
		if okHum && p.HumUsable(&l.v.Cfg.Rules, now.Mono) {
			p.HumDrift.add(int32(p.St.Hum) - hum)
		}
	}
}

// rack is the median over the probes in enclosures; false for too few of them.
func (l look) rack(value func(probe) (int32, bool)) (int32, bool) {
	l.v.Ints = l.v.Ints[:0]
	for i := range l.v.Probes {
		if p := l.at(i); p.Encl >= 0 {
			if v, ok := value(p); ok {
				l.v.Ints = append(l.v.Ints, v)
			}
		}
	}
	if len(l.v.Ints) < rackLeast {
		return 0, false
	}
	slices.Sort(l.v.Ints)
	return l.v.Ints[len(l.v.Ints)/2], true
}

// drifted reports whether the nights bring a calibration forward.
func (p probe) drifted() bool {
	return room.Abs(p.HumDrift.moved()) >= driftHum || room.Abs(p.TempDrift.moved()) >= driftTemp
}

// judgeDew looks for a probe whose dew point stands above every other probe of
// its enclosure: its humidity reads too high, or its temperature does.
func (l look) judgeDew(en *room.Enclosure, now sensors.Instant) {
	if len(en.Probes) < 2 {
		return
	}
	for _, i := range en.Probes {
		p := l.at(i)
		warmest, ok := l.warmestBeside(en, p, now.Mono)
		if !ok || !p.Usable(&l.v.Cfg.Rules, now.Mono) || !p.HumFresh(&l.v.Cfg.Rules, now.Mono) {
			continue
		}
		lowest := max(p.St.Hum-p.St.HumLess, 1)
		dew, err := climate.DewPoint(p.St.Temp.Celsius(), lowest.Percent())
		was := p.St.Dewy
		if err != nil || int32(sensors.CelsiusOf(dew)) <= warmest+dewAbove {
			p.DewSince, p.St.Dewy = 0, false
		} else {
			if p.DewSince == 0 {
				p.DewSince = now.Mono
			}
			p.St.Dewy = now.Mono-p.DewSince >= dewFor
		}
		if p.St.Dewy != was {
			l.v.Combine(en, now.Mono)
			l.judgeReason(p, now)
		}
	}
}

// warmestBeside is the highest temperature of the enclosure's other probes.
func (l look) warmestBeside(en *room.Enclosure, p probe, now time.Duration) (warmest int32, ok bool) {
	for _, i := range en.Probes {
		if q := l.at(i); q != p && q.Usable(&l.v.Cfg.Rules, now) {
			if t := int32(q.St.Temp); !ok || t > warmest {
				warmest, ok = t, true
			}
		}
	}
	return warmest, ok
}
