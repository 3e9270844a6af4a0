package probes

import (
	"cmp"
	"math"
	"slices"
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
	swapSlow     = 24               // the same where readings are farther apart than swapPoll
	swapFirst    = 0.7              // of the step, that the first reading must have made then
	swapGrains   = 3                // a step is so many grains; a grain is 1.1 sd of noise
	swapLooks    = 6                // readings that make a level after a step
	swapMean     = 4                // readings that make the level before it
	swapWithin   = 15 * time.Minute // unplugged, plugged in again
	swapQuiet    = 5 * time.Minute  // from being plugged in again to a step
	swapTold     = 24 * time.Hour   // then the new places are the usual ones
	swapCalm     = 30 * time.Minute // between steps of one row, as of a door
	swapPoll     = 2 * time.Minute  // between readings, in which air hardly steps by itself
	swapWarms    = 40               // hundredths of °C that the places must be apart then

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

// levelOf is where one reading stands.
func levelOf(r *sensors.Reading) Level {
	v := Level{Temp: float64(r.Temperature), Num: 1}
	if v.HasHum = r.Has&sensors.HasHumidity != 0; v.HasHum {
		v.Hum = float64(r.Humidity)
	}
	return v
}

// add takes a level, of one reading, into the mean of the last most.
func (v *Level) add(o *Level, most uint8) {
	v.Num = min(v.Num+1, most)
	v.Temp += (o.Temp - v.Temp) / float64(v.Num)
	if o.HasHum && v.HasHum {
		v.Hum += (o.Hum - v.Hum) / float64(v.Num)
	} else if v.HasHum = o.HasHum; o.HasHum {
		v.Hum = o.Hum
	}
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

// tookPlace reports whether a probe came to where another one was before: so near as one
// of share steps does by chance.
func (g *Grain) tookPlace(mine, other *Step, share float64) bool {
	return g.apart(&mine.After, &other.Before) <= min(swapApart, g.apart(&mine.Before, &other.Before)/share)
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
	if p.Alarm(alarm.KindJump).Rec.Life.State == alarm.OutOfService {
		p.Handled, p.Shift = r.At.Mono, Shift{}
	}
	if r.Quality == sensors.Bad || r.Has&sensors.HasTemperature == 0 || r.Again || !p.follow(r) {
		return
	}
	l.stand(p)
	if q := l.exchanged(p); q.Probe != nil {
		l.tellSwap(p, q, r.At, false)
	} else {
		l.shifted(p, r.At)
	}
	p.Steps.take(p.Step.After.Temp-p.Step.Before.Temp, r.At.Mono)
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
	now := levelOf(r)
	if p.Step.At > 0 && !p.Step.Stands {
		return p.stands(&now)
	}
	if p.Level.Num < swapMean || !p.Grain.far(&p.Level, &now) {
		p.Level.add(&now, swapMean)
		return false
	}
	if p.Stepped == 0 || r.At.Mono-p.Stepped > swapCalm {
		p.Calm = p.Level
	}
	p.Step = Step{
		At: r.At.Mono, Before: p.Level, After: now, First: now.Temp, Silent: p.Quiet > 0 && r.At.Mono-p.Quiet <= swapQuiet,
	}
	return false
}

// first is the share of the step that its first reading made.
func (s *Step) first() float64 { return (s.First - s.Before.Temp) / (s.After.Temp - s.Before.Temp) }

// stands takes a reading into the level after a step, and reports whether the step stands
// with it. A reading or two that led back are none.
func (p probe) stands(now *Level) bool {
	s := &p.Step
	if s.After.add(now, swapLooks); s.After.Num < swapLooks {
		return false
	}
	if s.Stands = p.Grain.far(&s.Before, &s.After) && p.Grain.far(&s.Before, now); s.Stands {
		p.Level = s.After
		return true
	}
	p.Level, p.Step = s.Before, Step{}
	return false
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

// A stand is when a step began that stands, and from which temperature, so that whoever
// stepped is compared with those that did so at the same time, without a look at others.
type stand struct {
	at    time.Duration
	from  float64 // hundredths of °C
	probe int
}

// stand puts the probe's step that stands into its place among all, by when they began.
func (l swaps) stand(p probe) {
	if l.stood == nil || len(l.stood) > 2*len(l.At) { // half of them are over
		l.stood = l.stood[:0]
		for i := range l.At {
			if s := &l.At[i].Step; s.Stands && i != p.Index {
				l.stood = append(l.stood, stand{s.At, s.Before.Temp, i})
			}
		}
		slices.SortFunc(l.stood, func(a, b stand) int { return cmp.Compare(a.at, b.at) })
	}
	i := len(l.stood)
	for i > 0 && l.stood[i-1].at > p.Step.At {
		i--
	}
	l.stood = slices.Insert(l.stood, i, stand{p.Step.At, p.Step.Before.Temp, p.Index})
}

// exchanged finds the probe that stepped to where p was, from where p is now, of several
// the first.
func (l swaps) exchanged(p probe) (found probe) {
	a, near := &p.Step, max(swapNearTemp, p.Grain.Temp)
	atOnce := min(2*p.St.Interval, swapWithin)
	within := atOnce
	if a.Silent {
		within = swapWithin
	}
	for _, o := range slices.Backward(l.stood) {
		if o.at < a.At-within {
			break
		}
		if t := (a.After.Temp - o.from) / near; t*t > swapApart || o.at > a.At+within {
			continue // as nearly all, in a large room
		}
		q := l.at(o.probe)
		b := &q.Step
		is := q != p && b.Stands && b.At == o.at && (b.Silent || (a.At-b.At).Abs() <= atOnce)
		if is && (found.Probe == nil || q.Index < found.Index) && p.tookPlaces(q) {
			found = q
		}
	}
	return found
}

// tookPlaces reports whether each of two probes came to where the other one was, and
// nothing else makes them: both were silent just before, or one got warmer and the other
// cooler, each within one poll. A door that is shut and another that is opened do so to the
// humidity, and no door warms.
func (p probe) tookPlaces(q probe) bool {
	a, b, share := &p.Step, &q.Step, float64(swapAtOnce)
	warms := math.Abs(a.Before.Temp-b.Before.Temp) >= max(swapWarms, swapGrains*max(p.Grain.Temp, q.Grain.Temp))
	switch {
	case a.Silent && b.Silent:
		share = swapShare
	case p.St.Swap.With == q.Cfg.ID:
	case !warms:
		return false
	case max(p.St.Interval, q.St.Interval) > swapPoll:
		if share = swapSlow; min(a.first(), b.first()) < swapFirst {
			return false
		}
	}
	return p.Grain.tookPlace(a, b, share) && q.Grain.tookPlace(b, a, share)
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
	p.Step, q.Step, p.Away, q.Away = Step{}, Step{}, Away{}, Away{}
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

// Two probes that hang in each other's places left their own at the same time, to opposite
// sides and equally far, as far as these places are apart but for the probes' own offsets,
// and stay so at every look. No single fault of the air does that. What all left by is the
// room's. How far is far each place says itself, by the days of which one in twenty was
// farther from the usual, and all places together say it now. Exchanged while both showed
// about the same, they part hours later.
const (
	placesAway     = 0.5 // °C from the own usual place, at least
	placesSpread   = 1.2 // and so many times the spread of its days
	placesBoth     = 5.0 // and both together
	placesMiddle   = 4   // times by how much the middle one of all is away
	placesGrains   = 2   // grains of the probe
	placesBack     = 0.5 // of that, then it is back
	placesNear     = 0.4 // °C that two may differ in how far they left, at least; once their spreads
	placesOffset   = 0.6 // °C between the offsets of two probes, which go along with them
	placesTogether = 20 * time.Minute
	placesFor      = 30 * time.Minute
	placesRack     = 5 // places of which two do not move the middle
)

// Away is a probe that left its usual place, and in whose place it seems to be.
type Away struct {
	Since time.Duration `json:"since,omitempty"` // 0 for not
	With  string        `json:"with,omitempty"`
	From  time.Duration `json:"from,omitempty"` // in that one's place since then
	by    float64       // °C
}

// inPlaceOf reports whether two probes that are away are each where the other usually is.
func inPlaceOf(p, q probe, hour float64) bool {
	a, b, spreadP, spreadQ := &p.Away, &q.Away, p.Own.Spread(), q.Own.Spread()
	if q.Probe == p.Probe || b.Since == 0 || a.by*b.by > 0 || max(a.Since-b.Since, b.Since-a.Since) > placesTogether {
		return false
	}
	usualP, _ := p.Own.At(hour)
	usualQ, _ := q.Own.At(hour)
	far := math.Abs(a.by)/spreadP+math.Abs(b.by)/spreadQ >= placesBoth
	return far && math.Abs(a.by+b.by) < max(placesNear, spreadP+spreadQ) && math.Abs((a.by-b.by)/2-usualQ+usualP) < placesOffset
}

// watchPlaces looks for two probes that changed places unnoticed, once a
// minute, where their places are known against ref.
func (l swaps) watchPlaces(ref int32, hour float64, known bool, now sensors.Instant) {
	if !known {
		return
	}
	middle, off := l.leaveTogether(ref, hour, now.Mono)
	for i := range l.v.Probes {
		if p := l.at(i); !p.away(middle, off) {
			p.Away = Away{}
		} else if p.Away.Since == 0 {
			p.Away.Since = now.Mono
		}
	}
	for i := range l.v.Probes {
		if p := l.at(i); p.Away.Since > 0 {
			l.placeOf(p, hour, now)
		}
	}
}

// leaveTogether notes how far each probe is from its usual place, and returns by how much
// the middle one is, and how far it is from that, where there are enough.
func (l swaps) leaveTogether(ref int32, hour float64, now time.Duration) (middle, off float64) {
	l.v.Ints = l.v.Ints[:0]
	for i := range l.v.Probes {
		p := l.at(i)
		usual, known := p.Own.At(hour)
		p.Away.by = math.NaN()
		if p.Encl >= 0 && known && p.St.Swap.With == "" && p.Usable(&l.v.Cfg.Rules, now) {
			p.Away.by = float64(int32(p.St.Temp)-ref)/100 - usual
			l.v.Ints = append(l.v.Ints, int32(100*p.Away.by))
		}
	}
	if n := len(l.v.Ints); n >= placesRack {
		slices.Sort(l.v.Ints)
		m := l.v.Ints[n/2]
		for i, x := range l.v.Ints {
			l.v.Ints[i] = room.Abs(x - m)
		}
		slices.Sort(l.v.Ints)
		return float64(m) / 100, float64(l.v.Ints[n/2]) / 100
	}
	return 0, 0
}

// away reports whether a probe that no exchange was told of stands away from its usual
// place, and by how much when the middle of all is taken off.
func (p probe) away(middle, off float64) bool {
	if p.Away.by -= middle; math.IsNaN(p.Away.by) {
		return false // it is not known
	}
	least := max(placesAway, placesSpread*p.Own.Spread(), placesMiddle*off, placesGrains*p.Grain.Temp/100)
	if p.Away.Since > 0 {
		least *= placesBack
	}
	return math.Abs(p.Away.by) >= least
}

// placeOf looks for the one whose place a probe is in, and tells both once they stayed.
func (l swaps) placeOf(p probe, hour float64, now sensors.Instant) {
	w := &p.Away
	for i := range l.v.Probes {
		q := l.at(i)
		switch {
		case w.With != "" && w.With != q.Cfg.ID || !inPlaceOf(p, q, hour):
			continue
		case w.With == "":
			w.With, w.From = q.Cfg.ID, now.Mono
		case now.Mono-w.From >= placesFor:
			l.tellSwap(p, q, now, true)
		}
		return
	}
	w.With = ""
}
