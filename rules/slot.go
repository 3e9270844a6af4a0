package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A slot is one alarm of one subject with what was last said about it.
type Alarm struct {
	Rec      Record
	Kind     alarm.Kind
	Index    int           // index of the enclosure or probe; -1 for dewline itself
	Severe   *alarm.Record // of the limit that makes it urgent; nil for none
	Numbered bool          // its onsets are numbered as ones of this run
}

func MakeAlarm(k alarm.Kind, subj int, subject string) Alarm {
	row := k.Row()
	return Alarm{Kind: k, Index: subj, Rec: Record{
		Key: Key{Alarm: row.ID, Subject: subject}, Priority: row.Priority, Unit: row.Value.Unit(),
	}}
}

func (s *Alarm) Open() bool { return s.Rec.Life.State != alarm.Norm }

// keep reports whether the record is worth persisting: it was raised once, or
// a delay is running.
func (s *Alarm) Worth() bool {
	l := &s.Rec.Life
	return s.Open() || l.Seq > 0 || l.Active || l.Seen == alarm.Beyond
}

func (ls *lives) spec(s *Alarm, gap time.Duration) alarm.Spec {
	sp := ls.specs[s.Kind][min(s.Rec.Priority, Wake)]
	sp.MaxGap = gap
	return sp
}

// afresh takes the urgency of an alarm that rises again, before anybody
// answered for the last time, back to where every alarm of its kind begins.
func (s *Alarm) afresh() {
	if s.Kind.Row().Graded {
		s.Rec.Priority = s.Kind.Row().Priority
	}
}

// limit notes what the alarm is judged by.
func (s *Alarm) Against(value, limit float64) {
	s.Rec.Value, s.Rec.HasValue, s.Rec.Limit, s.Rec.HasLimit = value, true, limit, true
	switch r := &s.Rec; {
	case r.Life.Active && s.Kind.Row().Low:
		r.Peak = min(r.Peak, value)
	case r.Life.Active:
		r.Peak = max(r.Peak, value)
	case r.Stats.Raised > 0:
		r.Stats.Far = max(r.Stats.Far, math.Abs(value-limit))
	}
}

// emit tells of a change of state, or of knowledge where From equals To.
func (ls *lives) emit(s *Alarm, now sensors.Instant, c alarm.Change, by, why string) {
	ls.number(s, c)
	if c.To == alarm.Unack && !c.From.Annunciated() {
		s.Rec.Peak = s.Rec.Value
	}
	ls.count(s, now, c)
	ls.explain(s, now, c)
	r := &s.Rec
	ls.out = append(ls.out, Transition{
		At: now, Key: r.Key, Seq: r.Life.Seq, From: c.From, To: c.To, Priority: r.Priority, Cause: r.Cause,
		Value: r.Value, HasValue: r.HasValue, Limit: r.Limit, HasLimit: r.HasLimit, Unit: r.Unit,
		Since: r.Life.Since, By: by, Why: why, Detail: r.Detail,
	})
	switch {
	case c.From == c.To:
	case c.From == alarm.Norm:
		ls.opened(s, 1)
	case c.To == alarm.Norm:
		ls.opened(s, -1)
	}
	if s.Kind == alarm.KindSilent {
		ls.v.Probes[s.Index].Out = c.To == alarm.OutOfService
	}
	if c.To == alarm.Norm {
		r.Priority, r.AckedBy = s.Kind.Row().Priority, ""
	}
}

// opened counts alarms that are not NORM.
func (ls *lives) opened(s *Alarm, n int) {
	ls.v.Open += n
	switch {
	case s.Kind.Row().Of == alarm.OfEnclosure:
		ls.v.Enclosures[s.Index].Open += n
	case s.Kind.Row().Of == alarm.OfProbe:
		ls.v.Probes[s.Index].Open += n
	}
}

// whyCause is why an alarm is told of again when it has another cause.
const whyCause = "another cause"

// update tells that something about an open alarm is different now.
func (ls *lives) update(s *Alarm, now sensors.Instant, why string) {
	st := s.Rec.Life.State
	ls.emit(s, now, alarm.Change{From: st, To: st, Why: why}, "", why)
}

// raisePriority makes an alarm more urgent until it is over. One that was
// acknowledged for less is no longer.
func (ls *lives) Raise(s *Alarm, p Priority) {
	now := ls.v.At
	if s.Rec.Priority >= p {
		return
	}
	s.Rec.Priority = p
	if !s.Open() {
		return
	}
	if s.Kind.Row().ByTemperature && s.Rec.Cause.Kind == CauseProbe {
		// What a probe was blamed for while it was mild is looked at again.
		s.Rec.Cause, s.Rec.Detail.Evidence = ls.causeOf(s, now)
	}
	if c := s.Rec.Life.Worsen(); c.Changed() {
		ls.emit(s, now, c, "", "more urgent than what was acknowledged")
		return
	}
	ls.update(s, now, "more urgent")
}

// setUnknown notes whether an open alarm can be evaluated.
func (ls *lives) setUnknown(s *Alarm, now sensors.Instant, unknown bool) {
	if !s.Open() || s.Rec.Life.Unknown == unknown {
		return
	}
	s.Rec.Life.Unknown = unknown
	if unknown {
		ls.update(s, now, "cannot be evaluated")
	} else {
		ls.update(s, now, "can be evaluated again")
	}
}

// Blame sets the cause that the next onset tells.
func (s *Alarm) Blame(c Cause) {
	if s.Rec.Life.State == alarm.Norm || s.Rec.Cause.Kind == "" {
		s.Rec.Cause = c
	}
}
