package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A slot is one alarm of one subject with what was last said about it.
type slot struct {
	rec   Record
	kind  alarm.Kind
	subj  int  // index of the enclosure or probe; -1 for dewline itself
	leapt bool // its onsets are numbered as ones of this run
}

func makeSlot(k alarm.Kind, subj int, subject string) slot {
	row := k.Row()
	return slot{kind: k, subj: subj, rec: Record{
		Key: Key{Alarm: row.ID, Subject: subject}, Priority: row.Priority, Unit: row.Value.Unit(),
	}}
}

func (s *slot) open() bool { return s.rec.Life.State != alarm.Norm }

// keep reports whether the record is worth persisting: it was raised once, or
// a delay is running.
func (s *slot) keep() bool {
	l := &s.rec.Life
	return s.open() || l.Seq > 0 || l.Active || l.Seen == alarm.Beyond
}

func (e *Engine) spec(s *slot, gap time.Duration) alarm.Spec {
	sp := e.specs[s.kind][min(s.rec.Priority, Wake)]
	sp.MaxGap = gap
	return sp
}

// apply steps one alarm and tells of what moved.
func (e *Engine) apply(s *slot, now sensors.Instant, in alarm.Input, gap time.Duration) {
	if s.rec.Life.Rest(now.Mono, in) {
		return
	}
	was := s.rec.Life.Active
	if c := s.rec.Life.Step(e.spec(s, gap), now, in); c.Changed() || was != s.rec.Life.Active {
		e.moved(s, now, was, c)
	}
}

// moved tells of a step that may have changed something; was is whether the
// condition held before it.
func (e *Engine) moved(s *slot, now sensors.Instant, was bool, c alarm.Change) {
	if !was && s.rec.Life.Active {
		s.afresh(c.From)
	}
	if c.Changed() {
		e.emit(s, now, c, "", c.Why)
	}
}

// afresh takes the urgency of an alarm that rises again, before anybody
// answered for the last time, back to where every alarm of its kind begins.
func (s *slot) afresh(from alarm.State) {
	if from != alarm.Norm && s.kind.Row().Graded {
		s.rec.Priority = s.kind.Row().Priority
	}
}

// hold steps an alarm whose condition is known as such, without a value.
func (e *Engine) hold(s *slot, now sensors.Instant, active bool) {
	in := alarm.Back
	if active {
		in = alarm.Beyond
	}
	e.apply(s, now, in, 0)
}

// limit notes what the alarm is judged by.
func (s *slot) limit(value, limit float64) {
	s.rec.Value, s.rec.HasValue, s.rec.Limit, s.rec.HasLimit = value, true, limit, true
	switch r := &s.rec; {
	case r.Life.Active && s.kind.Row().Low:
		r.Peak = min(r.Peak, value)
	case r.Life.Active:
		r.Peak = max(r.Peak, value)
	case r.Stats.Raised > 0:
		r.Stats.Far = max(r.Stats.Far, math.Abs(value-limit))
	}
}

// emit tells of a change of state, or of knowledge where From equals To.
func (e *Engine) emit(s *slot, now sensors.Instant, c alarm.Change, by, why string) {
	e.number(s, c)
	if c.To == alarm.Unack && !c.From.Annunciated() {
		s.rec.Peak = s.rec.Value
	}
	e.count(s, now, c)
	e.explain(s, now, c)
	r := &s.rec
	e.out = append(e.out, Transition{
		At: now, Key: r.Key, Seq: r.Life.Seq, From: c.From, To: c.To, Priority: r.Priority, Cause: r.Cause,
		Value: r.Value, HasValue: r.HasValue, Limit: r.Limit, HasLimit: r.HasLimit, Unit: r.Unit,
		Since: r.Life.Since, By: by, Why: why, Detail: r.Detail,
	})
	switch {
	case c.From == c.To:
	case c.From == alarm.Norm:
		e.opened(s, 1)
	case c.To == alarm.Norm:
		e.opened(s, -1)
	}
	if s.kind == alarm.KindSilent {
		e.probes[s.subj].out = c.To == alarm.OutOfService
	}
	if c.To == alarm.Norm {
		r.Priority, r.AckedBy = s.kind.Row().Priority, ""
	}
}

// opened counts alarms that are not NORM.
func (e *Engine) opened(s *slot, n int) {
	e.numOpen += n
	switch {
	case s.kind.Row().Of == alarm.OfEnclosure:
		e.encls[s.subj].open += n
	case s.kind.Row().Of == alarm.OfProbe:
		e.probes[s.subj].open += n
	}
}

// whyCause is why an alarm is told of again when it has another cause.
const whyCause = "another cause"

// update tells that something about an open alarm is different now.
func (e *Engine) update(s *slot, now sensors.Instant, why string) {
	st := s.rec.Life.State
	e.emit(s, now, alarm.Change{From: st, To: st, Why: why}, "", why)
}

// raisePriority makes an alarm more urgent until it is over. One that was
// acknowledged for less is no longer.
func (e *Engine) raisePriority(s *slot, now sensors.Instant, p Priority) {
	if s.rec.Priority >= p {
		return
	}
	s.rec.Priority = p
	if !s.open() {
		return
	}
	if s.kind.Row().ByTemperature && s.rec.Cause.Kind == CauseProbe {
		// What a probe was blamed for while it was mild is looked at again.
		s.rec.Cause, s.rec.Detail.Evidence = e.causeOf(s, now)
	}
	if c := s.rec.Life.Worsen(); c.Changed() {
		e.emit(s, now, c, "", "more urgent than what was acknowledged")
		return
	}
	e.update(s, now, "more urgent")
}

// setUnknown notes whether an open alarm can be evaluated.
func (e *Engine) setUnknown(s *slot, now sensors.Instant, unknown bool) {
	if !s.open() || s.rec.Life.Unknown == unknown {
		return
	}
	s.rec.Life.Unknown = unknown
	if unknown {
		e.update(s, now, "cannot be evaluated")
	} else {
		e.update(s, now, "can be evaluated again")
	}
}
