package probes

import (
	"math"
	"time"

	"dewline/sensors"
)

// A Shift is a probe that stands beside the air's temperature since one reading, with
// all else as it was: a contact, a bent leg, a wrong correction. Air that is warmed by
// 1 °C loses 6 % of its relative humidity (Magnus).
type Shift struct {
	At     time.Duration `json:"at,omitempty"`     // since then; 0 for not
	Before float64       `json:"before,omitempty"` // hundredths of °C
	By     float64       `json:"by,omitempty"`
}

// The figures of the judge are this project's own but for shiftPer, tuned on the tuned
// half of rules/corpus; FalseShifts is how many wrong tellings in 100 tank-days they and
// those of manyJumps are meant for.
const (
	FalseShifts = 0.1
	shiftLeast  = 200              // hundredths of °C: no lamp, door or mat does it within a poll
	shiftGrains = 6                // and so many grains
	shiftPer    = 0.06             // of the humidity that heat takes, for each °C
	shiftDue    = 300              // hundredths of a percent that must have been due to tell
	shiftStays  = 0.3              // of what was due, that may have come
	shiftPoll   = 2 * time.Minute  // between readings at most
	shiftRare   = 2                // times the largest step of its air, where they are farther apart
	shiftSlow   = 6 * time.Minute  // between readings, in which air may step by more than it ever did
	shiftRarest = 3                // times the largest, where they are farther apart than that
	shiftFades  = 96 * time.Hour   // in which that fades by half
	shiftLamps  = 10 * time.Minute // since the lamps were switched
	shiftHand   = 30 * time.Minute // since it was out of service: a keeper hangs it back
	shiftTold   = 24 * time.Hour   // then it is the probe's place
	doorMost    = 1000             // hundredths of °C
)

// shifted looks at a step that stands: by how much the air would have dried or got
// damp with it, and whether others saw it too.
func (l swaps) shifted(p probe, now sensors.Instant) {
	s := &p.Step
	by := s.After.Temp - s.Before.Temp
	if p.Shift.At > 0 && math.Abs(s.After.Temp-p.Shift.Before) < math.Abs(p.Shift.By)/2 {
		p.Shift = Shift{}
		return
	}
	if p.tellsShift(by, now.Mono) && !l.byAir(p, by, now) {
		p.Shift = Shift{At: now.Mono, Before: s.Before.Temp, By: by}
		l.judgeJump(p, now)
	}
}

// tellsShift reports whether a step is as large and as sudden as a shift, in an enclosure,
// and nothing else tells of it.
func (p probe) tellsShift(by float64, now time.Duration) bool {
	s := &p.Step
	least := max(shiftLeast, shiftGrains*p.Grain.Temp)
	switch {
	case p.Encl < 0 || p.St.Swap.With != "" || s.Silent || p.St.Alone:
	case p.St.Interval > shiftPoll && !p.rare(by, now):
	case p.Handled > 0 && s.At-p.Handled < shiftHand:
	case math.Abs(by) < least || (s.First-s.Before.Temp)*by < least*math.Abs(by):
	default:
		return true
	}
	return false
}

// byAir reports whether the air made a step, or may have: where nobody knows its humidity.
func (l swaps) byAir(p probe, by float64, now sensors.Instant) bool {
	return !p.Step.Before.HasHum || !p.Step.After.HasHum || l.seenBeside(p, by) || l.lampsSwitched(p) || l.asDoor(p, now) || p.dried(by)
}

// rare reports whether the air never made half such a step, or a third, in the days that are
// known: air that sun warms or a vent cools does between readings that come every few minutes.
func (p probe) rare(by float64, now time.Duration) bool {
	times := float64(shiftRare)
	if p.St.Interval > shiftSlow {
		times = shiftRarest
	}
	return p.Stills.Temp.Days >= 2 && math.Abs(by) >= times*p.Steps.now(now)
}

// Steps are how large a step the air makes: the largest that stood, less as time goes by.
type Steps struct {
	Most float64       `json:"most,omitempty"` // hundredths of °C
	At   time.Duration `json:"at,omitempty"`
}

func (s *Steps) now(at time.Duration) float64 {
	return s.Most * math.Exp2(-float64(at-s.At)/float64(shiftFades))
}

func (s *Steps) take(by float64, at time.Duration) {
	s.Most, s.At = max(s.now(at), math.Abs(by)), at
}

// dried reports whether the humidity changed with a step, or would hardly have to.
func (p probe) dried(by float64) bool {
	s := &p.Step
	due := min(s.Before.Hum*(math.Exp(-shiftPer*by/100)-1), 10000-s.Before.Hum)
	return math.Abs(due) < max(shiftDue, 4*p.Grain.Hum) || (s.After.Hum-s.Before.Hum)/due > shiftStays
}

// seenBeside reports whether another probe stepped the same way at the same time.
func (l swaps) seenBeside(p probe, by float64) bool {
	for i := range l.v.Probes {
		q := l.at(i)
		b := &q.Step
		if q != p && b.At > 0 && max(b.At-p.Step.At, p.Step.At-b.At) <= 2*p.St.Interval && (b.After.Temp-b.Before.Temp)*by > by*by/2 {
			return true
		}
	}
	return false
}

func (l swaps) lampsSwitched(p probe) bool {
	lamps := l.v.LampsOf(&l.v.Enclosures[p.Encl])
	return lamps != nil && lamps.Known && lamps.Edge < shiftLamps
}

// asDoor reports whether a step led part of the way to the room's temperature, or back
// from there: a door lets in drier air, which keeps the humidity of what it cools. Where
// nobody measures the room it may be doorMost colder than the enclosures, and is drier.
func (l swaps) asDoor(p probe, now sensors.Instant) bool {
	s := &p.Step
	t, ok := l.v.RoomTemp(now.Mono)
	if !ok && s.Before.Hum-s.After.Hum > shiftDue {
		t, ok = l.v.Middle(now.Mono)
		t -= doorMost
	}
	back := math.Abs(s.After.Temp-p.Calm.Temp) < math.Abs(s.After.Temp-s.Before.Temp)/2
	return ok && (back || partWay(s.Before.Temp, s.After.Temp, float64(t)))
}

// partWay reports whether a step leads part of the way to another temperature.
func partWay(from, to, other float64) bool {
	way, went := other-from, to-from
	return way*went > 0 && math.Abs(went) < math.Abs(way)
}
