package probes

import (
	"math"
	"slices"

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
	Apart   int16 `json:"apart,omitempty"` // by which these weeks lie apart
	HasBase bool  `json:"has_base,omitempty"`
}

// The figures of the judge of drift. FalseDrifts is how many wrong notes in 100
// probe-years they are meant for; enclosures part by themselves in the course of weeks,
// and that is as far as a probe's first weeks lie apart.
const (
	FalseDrifts = 5.0
	nightsAWeek = 7
	driftWeeks  = 4 // make the base, and so many are remembered
	driftRecent = 2 // weeks in a row that must say so
	nightFrom   = 2 // local hours
	nightTo     = 5
	nightLeast  = 15 // looks that make a night; once a minute, or as the readings come
	// Good probes of SHT3x and SHT4x are within 2 %RH and 0.2 °C of the truth (data
	// sheets), and drift by less than 0.25 % and 0.03 °C in a year.
	driftHum   = 200 // hundredths of a percent
	driftTemp  = 30  // hundredths of °C
	driftApart = 1.5 // times what the first weeks lie apart
	driftMost  = 0.6 // of what the probe that moved most did
	rackLeast  = 4   // probes that make a rack to compare with: three others outvote one
)

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
		d.Apart = slices.Max(d.Weeks[:]) - slices.Min(d.Weeks[:])
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
// week says nothing. Zero means that nothing is known, or less than least.
func (d *Drift) moved(least float64) int32 {
	if by := d.away(); math.Abs(float64(by)) >= max(least, driftApart*float64(d.Apart)) {
		return by
	}
	return 0
}

// away is the same of however little.
func (d *Drift) away() int32 {
	if !d.HasBase {
		return 0
	}
	recent, base := d.Weeks[:driftRecent], int32(d.Base)
	return max(0, int32(slices.Min(recent))-base) + min(0, int32(slices.Max(recent))-base)
}

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
	l.toOthers(func(p probe) (int32, bool) { return int32(p.St.Temp), p.Usable(&l.v.Cfg.Rules, now.Mono) },
		func(p probe, by int32) { p.TempDrift.add(by) })
	l.toOthers(func(p probe) (int32, bool) { return int32(p.St.Hum), p.HumUsable(&l.v.Cfg.Rules, now.Mono) },
		func(p probe, by int32) { p.HumDrift.add(by) })
}

// toOthers tells each probe in an enclosure how far it is from the median of the others.
func (l look) toOthers(value func(probe) (int32, bool), add func(probe, int32)) {
	l.v.Ints = l.v.Ints[:0]
	for i := range l.v.Probes {
		if p := l.at(i); p.Encl >= 0 {
			if v, ok := value(p); ok {
				l.v.Ints = append(l.v.Ints, v)
			}
		}
	}
	n := len(l.v.Ints)
	if n < rackLeast {
		return
	}
	slices.Sort(l.v.Ints)
	for i := range l.v.Probes {
		p := l.at(i)
		if v, ok := value(p); ok && p.Encl >= 0 {
			others := l.v.Ints[(n-2)/2]
			if v <= others {
				others = l.v.Ints[(n-2)/2+1]
			}
			add(p, v-others)
		}
	}
}

// drifted reports whether the nights bring a calibration forward: the probe's own, and
// not those of another that moves the median of few.
func (l look) drifted(p probe) bool {
	hum, temp := p.HumDrift.moved(driftHum), p.TempDrift.moved(driftTemp)
	if hum == 0 && temp == 0 {
		return false
	}
	for i := range l.At {
		if driftMost*math.Abs(float64(l.At[i].HumDrift.away())) > math.Abs(float64(hum)) {
			hum = 0
		}
		if driftMost*math.Abs(float64(l.At[i].TempDrift.away())) > math.Abs(float64(temp)) {
			temp = 0
		}
	}
	return hum != 0 || temp != 0
}
