package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Find steps an alarm with what a judge found.
func (ls *lives) Find(f room.Finding) {
	if !f.Alarm.Rec.Life.Rest(ls.v.At.Mono, f.In) {
		ls.step(f)
	}
}

// step is Find for what does not rest. It has a frame of its own, which Find has not to clear.
func (ls *lives) step(f room.Finding) {
	a, now := f.Alarm, ls.v.At
	was := a.Rec.Life.Active
	c := a.Rec.Life.Step(ls.specFor(f), now, f.In)
	a.Follow(now, f.In, f.Severe)
	if !was && a.Rec.Life.Active {
		a.Afresh()
		switch {
		case f.Urgent && a.Rec.Life.Shelf == nil: // else it is raised from what was put away
			a.Rec.Priority = alarm.Wake
		case f.Mild:
			a.Rec.Priority = alarm.Note
		}
	}
	if c.Changed() {
		ls.emit(a, now, c, "", c.Why)
	}
	switch {
	case !a.Rec.Life.Active:
	case f.Urgent:
		ls.Raise(a, alarm.Wake)
	case !f.Mild && f.In == alarm.Beyond && a.Kind.Row().AtLimit:
		ls.Raise(a, alarm.Today)
	}
}

func (ls *lives) specFor(f room.Finding) alarm.Spec {
	sp := ls.spec(f.Alarm, f.Gap)
	if f.AtOnce {
		sp.OffDelay = 0
	}
	if f.AtOnce || f.Urgent {
		sp.OnDelay = 0
	}
	if f.Slow > 0 {
		sp.OnDelay *= f.Slow
	}
	sp.Hold = f.Hold
	return sp
}

// emit tells of a change of state, or of knowledge where From equals To.
func (ls *lives) emit(s *room.Alarm, now sensors.Instant, c alarm.Change, by, why string) {
	ls.number(s, c)
	ls.count(s, now, c)
	ls.explain(s, now, c)
	r := &s.Rec
	ls.out = append(ls.out, Transition{Onset: r.Onset(), At: now, From: c.From, To: c.To, By: by, Why: why})
	switch {
	case c.From == c.To:
	case c.From == alarm.Norm:
		ls.opened(s, 1)
	case c.To == alarm.Norm:
		ls.opened(s, -1)
	}
	if s.Kind == alarm.FirstProbeKind { // all of a probe's go out of service together
		ls.v.Probes[s.Index].Out = c.To == alarm.OutOfService
	}
	if c.To == alarm.Norm {
		r.Priority, r.AckedBy = s.Kind.Row().Priority, ""
		if !r.Life.Active {
			r.Peak = nil
		}
	}
}

// update tells that something about an open alarm is different now.
func (ls *lives) update(s *room.Alarm, now sensors.Instant, why string) {
	st := s.Rec.Life.State
	ls.emit(s, now, alarm.Change{From: st, To: st, Why: why}, "", why)
}

// Raise makes an alarm more urgent until it is over. One that was
// acknowledged for less is no longer.
func (ls *lives) Raise(s *room.Alarm, p alarm.Priority) {
	now := ls.v.At
	if s.Rec.Priority >= p {
		return
	}
	s.Rec.Priority = p
	if !s.Open() {
		return
	}
	if s.Kind.Row().ByTemperature && s.Rec.Cause.Kind == alarm.CauseProbe {
		// What a probe was blamed for while it was mild is looked at again.
		c, evidence := ls.causeOf(s)
		s.Rec.Cause = c
		s.Rec.Because(evidence)
	}
	spec := ls.spec(s, 0)
	if c := s.Rec.Life.Worsen(&spec, now); c.Changed() {
		ls.emit(s, now, c, "", c.Why)
		return
	}
	ls.update(s, now, "more urgent")
}

func (ls *lives) setUnknown(s *room.Alarm, now sensors.Instant, unknown bool) {
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

// count keeps the self-measures with each transition.
func (ls *lives) count(s *room.Alarm, now sensors.Instant, c alarm.Change) {
	if s.Rec.Stats == nil {
		s.Rec.Stats = &room.Stats{}
	}
	st := s.Rec.Stats
	if c.From.Annunciated() && !s.Rec.Life.Active {
		st.Far = 0
	}
	switch {
	case c.To == alarm.Unack && c.From != alarm.Unack:
		if c.From != alarm.Acked { // else it was only rung again
			CountRaise(st, now.Mono, s.Rec.Life.EndedAt, ChatterSpan(ls.v.Cfg))
			ls.load.Raised(now.Mono, s.Rec.Priority)
		}
		st.UnackAt = now.Mono
	case c.To == alarm.Acked || c.From == alarm.RTNUN && c.Why == "" || c.To == alarm.LatchAck && c.From == alarm.LatchUnack:
		d := now.Mono - st.UnackAt
		st.Acked++
		st.AckTotal += d
		st.AckMax = max(st.AckMax, d)
	}
}
