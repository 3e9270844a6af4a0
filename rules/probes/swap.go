package probes

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// A Step is a change of one probe's level from one reading to the next that air
// does not make, in hundredths of °C and %.
type Step struct {
	At     time.Duration `json:"at,omitempty"`
	Before Level         `json:"before,omitzero"`
	After  Level         `json:"after,omitzero"`
	First  float64       `json:"first,omitempty"`  // hundredths of °C of its first reading
	Silent bool          `json:"silent,omitempty"` // readings were missing just before
	Stands bool          `json:"stands,omitempty"` // it led to another level
	Again  bool          `json:"again,omitempty"`  // another stood within swapCalm before
}

// A Level is where a probe is, by the mean of its last readings.
type Level struct {
	Temp   float64 `json:"temp,omitempty"` // hundredths of °C
	Hum    float64 `json:"hum,omitempty"`  // hundredths of %
	Num    uint8   `json:"num,omitempty"`  // readings
	HasHum bool    `json:"has_hum,omitempty"`
}

// Grain is by how much a probe moves when it does, from one reading to the next: its
// noise, or the steps of its figures where those are coarser.
type Grain struct {
	Temp float64 `json:"temp,omitempty"` // hundredths of °C
	Hum  float64 `json:"hum,omitempty"`  // hundredths of %
}

// What makes two steps an exchange. Each takes the other's place, both from one poll
// to the next or both across a silence, and stays: no door, lamp or mist does that.
// A single reading is no level, and what noise or coarse figures make is no step. The
// figures are this project's own, tuned on the tuned half of rules/corpus; FalseSwaps is
// how many wrong tellings in 100 tank-days they and those of places are meant for.
const (
	FalseSwaps   = 0.1
	swapStepTemp = 20               // hundredths of °C, the least step
	swapStepHum  = 300              // hundredths of a percent
	swapNearTemp = 15               // by which the other's place is missed, hundredths of °C
	swapNearHum  = 250              // hundredths of a percent
	swapApart    = 4                // squares of these at most
	swapShare    = 3                // and of how far the places were apart, squared, so small a part
	swapAtOnce   = 6                // the same without a silence of both
	swapGrains   = 3                // a step is so many grains; a grain is 1.1 sd of noise
	swapLooks    = 6                // readings that make a level after a step
	swapMean     = 4                // readings that make the level before it
	swapWithin   = 15 * time.Minute // unplugged, plugged in again
	swapQuiet    = 5 * time.Minute  // from being plugged in again to a step
	swapTold     = 24 * time.Hour   // then the new places are the usual ones
	swapCalm     = 30 * time.Minute // a door that is shut and one that is opened look like an exchange
	swapHolds    = 45 * time.Minute // which is over by then, and an exchange is not
	swapPoll     = 2 * time.Minute  // between readings at most, to tell it at once

	grainMean = 64 // readings that the grain is a mean of
	grainMost = 3  // grains that one move counts as at most: a mist is no noise
)

// move takes the size of a move, which is not 0.
func move(grain *float64, size float64) {
	switch {
	case size == 0:
	case *grain == 0:
		*grain = size
	default:
		*grain += (min(size, grainMost**grain) - *grain) / grainMean
	}
}

// add takes a reading into the mean of the last most.
func (v *Level) add(r *sensors.Reading, most uint8) {
	v.Num = min(v.Num+1, most)
	v.Temp += (float64(r.Temperature) - v.Temp) / float64(v.Num)
	if r.Has&sensors.HasHumidity == 0 {
		v.HasHum = false
		return
	}
	if v.Num == 1 || !v.HasHum {
		v.Hum, v.HasHum = float64(r.Humidity), true
	}
	v.Hum += (float64(r.Humidity) - v.Hum) / float64(v.Num)
}

// far reports whether two levels of a probe are a step apart.
func (g *Grain) far(a, b *Level) bool {
	return math.Abs(a.Temp-b.Temp) >= max(swapStepTemp, swapGrains*g.Temp) ||
		a.HasHum && b.HasHum && math.Abs(a.Hum-b.Hum) >= max(swapStepHum, swapGrains*g.Hum)
}

// apart is how far a level is from where another probe's is, squared.
func (g *Grain) apart(a, b *Level) float64 {
	t, h := (a.Temp-b.Temp)/max(swapNearTemp, g.Temp), 0.0
	if a.HasHum && b.HasHum {
		h = (a.Hum - b.Hum) / max(swapNearHum, g.Hum)
	}
	return t*t + h*h
}

// tookPlace reports whether a probe came to where another one was before.
func (g *Grain) tookPlace(mine, other *Step) bool {
	share := swapAtOnce
	if mine.Silent && other.Silent {
		share = swapShare
	}
	return g.apart(&mine.After, &other.Before) <= min(swapApart, g.apart(&mine.Before, &other.Before)/float64(share))
}

// swaps is one look for probes that changed places.
type swaps struct{ look }

// watchSwap looks at every reading for a step, before the reading is taken in,
// and for another probe that stepped the other way at the same time.
func (l swaps) watchSwap(p probe, r *sensors.Reading) {
	st := &p.St
	if st.Swap.With != "" && r.At.Mono-st.Swap.At > swapTold {
		l.settleSwap(p)
	}
	l.judgeSwap(p)
	if r.Quality == sensors.Bad || r.Has&sensors.HasTemperature == 0 || r.Again || !p.follow(r) {
		return
	}
	l.stand(p)
	p.Step.Again = p.Stepped > 0 && p.Step.At-p.Stepped <= swapCalm
	if q, calm := l.exchanged(p); q.Probe != nil && calm {
		l.tellSwap(p, q, r.At, false)
	} else if q.Probe != nil {
		p.Maybe = Maybe{With: q.Cfg.ID, At: r.At.Mono, Mine: p.Calm, Other: q.Calm}
	} else {
		l.shifted(p, r.At)
	}
	p.Stepped = r.At.Mono
}

// follow takes a reading into the probe's level and reports whether it ends a step
// that stands.
func (p probe) follow(r *sensors.Reading) bool {
	st := &p.St
	if !st.HasTemp || r.At.Mono-st.Heard.Mono > swapWithin || st.Heard.Mono < p.Since {
		p.Level, p.Step = Level{}, Step{}
	}
	p.moved(r)
	if r.At.Mono-st.Last.Mono > 3*st.Interval || st.Quality == sensors.Bad {
		p.Quiet = r.At.Mono
	}
	if s := &p.Step; s.At > 0 && !s.Stands {
		if s.After.add(r, swapLooks); s.After.Num < swapLooks {
			return false
		}
		s.Stands = p.Grain.far(&s.Before, &s.After)
		p.Level = s.After
		if !s.Stands {
			p.Step = Step{}
			return false
		}
		return true
	}
	p.step(r)
	return false
}

// step takes a reading into the level, or begins a step with it.
func (p probe) step(r *sensors.Reading) {
	var now Level
	if now.add(r, 1); p.Level.Num < swapMean || !p.Grain.far(&p.Level, &now) {
		p.Level.add(r, swapMean)
		return
	}
	if p.Stepped == 0 || r.At.Mono-p.Stepped > swapCalm {
		p.Calm = p.Level
	}
	p.Step = Step{
		At: r.At.Mono, Before: p.Level, After: now, First: now.Temp, Silent: p.Quiet > 0 && r.At.Mono-p.Quiet <= swapQuiet,
	}
}

// moved takes what the probe moved by into its grain.
func (p probe) moved(r *sensors.Reading) {
	if p.Level.Num == 0 || p.St.Quality == sensors.Bad {
		return
	}
	move(&p.Grain.Temp, math.Abs(float64(r.Temperature-p.latest())))
	if r.Has&sensors.HasHumidity != 0 && p.St.HasHum {
		move(&p.Grain.Hum, math.Abs(float64(r.Humidity-p.St.Hum)))
	}
}

// A stand is when a step began and from which temperature, so that whoever stepped
// is compared with all others without a look at all that is known of each.
type stand struct {
	at   time.Duration
	from float64 // hundredths of °C
}

// stand notes when the probe's step began that stands.
func (l swaps) stand(p probe) {
	if l.stood == nil {
		l.stood = make([]stand, len(l.At))
		for i := range l.At {
			l.stood[i] = stand{l.At[i].Step.At, l.At[i].Step.Before.Temp}
		}
	}
	l.stood[p.Index] = stand{p.Step.At, p.Step.Before.Temp}
}

// exchanged finds the probe that stepped to where p was, from where p is now; calm is
// false where a door may have made it look so, or anything else between two slow polls.
func (l swaps) exchanged(p probe) (q probe, calm bool) {
	a, near := &p.Step, max(swapNearTemp, p.Grain.Temp)
	for i, o := range l.stood {
		apart, t := max(a.At-o.at, o.at-a.At), (a.After.Temp-o.from)/near
		if late := apart > 2*p.St.Interval; apart > swapWithin || t*t > swapApart || late && !(a.Silent && l.At[i].Step.Silent) {
			continue
		}
		q := l.at(i)
		b := &q.Step
		if q != p && b.Stands && b.At == o.at && p.Grain.tookPlace(a, b) && q.Grain.tookPlace(b, a) {
			return q, p.calmWith(q)
		}
	}
	return probe{}, false
}

// calmWith reports whether nothing but an exchange makes two probes step so.
func (p probe) calmWith(q probe) bool {
	a, b := &p.Step, &q.Step
	clear := !a.Again && !b.Again && max(p.St.Interval, q.St.Interval) <= swapPoll
	return clear || a.Silent && b.Silent || p.St.Swap.With == q.Cfg.ID
}

// A Maybe is what looked like an exchange near a door, and where both were before that.
type Maybe struct {
	With  string        `json:"with,omitempty"`
	At    time.Duration `json:"at,omitempty"`
	Mine  Level         `json:"mine,omitzero"`
	Other Level         `json:"other,omitzero"`
}

// settleMaybe tells an exchange near a door once both have stayed in each other's place,
// whatever the room did to both.
func (l swaps) settleMaybe(p probe, now sensors.Instant) {
	m := p.Maybe
	if m.At == 0 || now.Mono-m.At < swapHolds {
		return
	}
	p.Maybe = Maybe{}
	i, ok := l.v.ByID[sensors.ProbeID(m.With)]
	if !ok || p.Encl < 0 || l.at(i).Encl < 0 || p.St.Swap.With != "" || l.at(i).St.Swap.With != "" {
		return
	}
	q := l.at(i)
	if l.v.DoorOpen(&l.v.Enclosures[p.Encl]) || l.v.DoorOpen(&l.v.Enclosures[q.Encl]) || min(p.Level.Num, q.Level.Num) < swapMean {
		return
	}
	was, is, turned := m.Mine.less(&m.Other), p.Level.less(&q.Level), m.Other.less(&m.Mine)
	if p.Grain.apart(&is, &turned) <= min(swapApart, p.Grain.apart(&was, &turned)/swapAtOnce) {
		l.tellSwap(p, q, now, false)
	}
}

// less is by how much a level is above another.
func (v *Level) less(o *Level) Level {
	return Level{Temp: v.Temp - o.Temp, Hum: v.Hum - o.Hum, HasHum: v.HasHum && o.HasHum}
}

// tellSwap tells an exchange, late where nobody saw the steps.
func (l swaps) tellSwap(p, q probe, now sensors.Instant, late bool) {
	l.swapped(p, q, now.Mono)
	p.St.Swap.Late, q.St.Swap.Late = late, late
	l.judgeSwap(p)
	l.judgeSwap(q)
}

// swapped notes an exchange, or that it was undone.
func (l swaps) swapped(p, q probe, now time.Duration) {
	back := p.St.Swap.With == q.Cfg.ID
	p.St.Swap.With, q.St.Swap.With = "", ""
	if !back {
		p.St.Swap.With, p.St.Swap.At = q.Cfg.ID, now
		q.St.Swap.With, q.St.Swap.At = p.Cfg.ID, now
	}
	p.Step, q.Step, p.Maybe, q.Maybe = Step{}, Step{}, Maybe{}, Maybe{}
	for _, x := range []probe{p, q} {
		// The jump is explained: it is not the air's, and not a fault of the probe.
		x.St.Leap, x.St.Jumps = 0, 0
	}
}

// settleSwap makes the new places of both probes their usual ones.
func (l swaps) settleSwap(p probe) {
	if i, ok := l.v.ByID[sensors.ProbeID(p.St.Swap.With)]; ok && l.v.Probes[i].St.Swap.With == p.Cfg.ID {
		q := l.at(i)
		p.Own, q.Own = q.Own, p.Own
		q.St.Swap.With = ""
	}
	p.St.Swap.With = ""
}

// judgeSwap raises probe-disagrees, without a delay, for a probe that stands in
// another's place, and ends it when the two are back.
func (l swaps) judgeSwap(p probe) {
	w := &p.St.Swap
	if w.With == "" && !w.Told {
		return
	}
	s, in := p.Alarm(alarm.KindDisagrees), alarm.Back
	if w.With != "" {
		in = alarm.Beyond
		w.Told = true
		s.Rec.HasValue, s.Rec.HasLimit, s.Rec.Value, s.Rec.Limit = false, false, 0, 0
	}
	l.out.Find(room.Finding{Alarm: s, In: in, AtOnce: true})
	if in == alarm.Back {
		w.Told = false
	}
}

// Two probes that hang in each other's places stand away from their own usual
// ones to opposite sides, and in the other's: no single fault of the air does
// that. Exchanged while both showed about the same, they part hours later.
const (
	placesAway = 0.7 // °C from the own usual place
	placesNear = 0.4 // °C from the other's
	placesFor  = 30 * time.Minute
	placesMost = 4   // more probes away than that have something in common
	placesRack = 5   // enclosures
	placesRoom = 1.0 // °C of the room from its usual: places are those of a usual room
)

// inPlaceOf reports whether each of two probes is where the other usually is.
func inPlaceOf(p, q probe, ref int32, hour float64) bool {
	devP, usualP, _ := p.deviation(ref, hour)
	devQ, usualQ, _ := q.deviation(ref, hour)
	apart := usualQ - usualP
	return devP*devQ < 0 && math.Abs(devP-apart) < placesNear && math.Abs(devQ+apart) < placesNear
}

// deviation is how far a probe is from its own usual place against the room,
// °C; false where that is not known.
func (p probe) deviation(ref int32, hour float64) (dev, usual float64, ok bool) {
	usual, ok = p.Own.At(hour)
	return float64(int32(p.St.Temp)-ref)/100 - usual, usual, ok
}

// watchPlaces looks for two probes that changed places unnoticed, once a
// minute, where their places are known against ref.
func (l swaps) watchPlaces(ref int32, hour float64, known bool, now sensors.Instant) {
	for i := range l.v.Probes {
		l.settleMaybe(l.at(i), now)
	}
	if !known {
		return
	}
	room := l.v.RoomCase(now)
	unusual := room.HasUsual && math.Abs(room.Temp-room.Usual) >= placesRoom
	var away [placesMost]probe
	n := 0
	for i := range l.v.Probes {
		p := l.at(i)
		if unusual || !l.away(p, ref, hour, now.Mono) {
			p.AwaySince = 0
			continue
		}
		if p.AwaySince == 0 {
			p.AwaySince = now.Mono
		}
		if n == placesMost {
			return
		}
		away[n] = p
		n++
	}
	for i := range n {
		for j := range i {
			p, q := away[i], away[j]
			if long := now.Mono-max(p.AwaySince, q.AwaySince) >= placesFor; long && inPlaceOf(p, q, ref, hour) {
				l.tellSwap(p, q, now, true)
				return
			}
		}
	}
}

// away reports whether a probe that no exchange was told of stands away from
// its usual place.
func (l swaps) away(p probe, ref int32, hour float64, now time.Duration) bool {
	dev, _, known := p.deviation(ref, hour)
	return p.Encl >= 0 && known && math.Abs(dev) >= placesAway && p.St.Swap.With == "" && p.Usable(&l.v.Cfg.Rules, now)
}
