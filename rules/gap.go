package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// stoodStill makes up for a stretch without a call: an engine that runs is called
// at least once a poll.
func (e *Engine) stoodStill(was, now sensors.Instant) {
	stood, polls := now.Sub(was), 2*e.v.Cfg.Room.Poll.D()
	if stood <= max(polls, 30*time.Second) {
		return
	}
	e.gap = Gap{For: stood}
	if was.Synced {
		e.gap.From = was.Wall
	}
	e.interrupt(now, room.Absence{Lost: stood, Known: true, Nobody: stood, Short: stood <= max(polls, stoodShort)})
}

// stoodShort is how long an engine may stand still and go on with what it knows,
// as its running time counts that.
const stoodShort = 2 * time.Minute

// timeOff is how long dewline was off before a start; false while that is not
// known, or never will be because no clock was set.
func (e *Engine) timeOff(now sensors.Instant) (time.Duration, bool) {
	o := &e.v.Off
	if o.Set.IsZero() {
		return 0, false
	}
	if !o.Open {
		o.Open, o.At = true, now.Mono
	}
	return e.closeOff(now)
}

// closeOff works out how long dewline was off, once the clock is set.
func (e *Engine) closeOff(now sensors.Instant) (time.Duration, bool) {
	o := &e.v.Off
	if !now.Synced {
		return 0, false
	}
	o.Open = false
	d := now.Wall.Sub(o.Set.Wall) - now.Sub(o.Set)
	if d < -time.Minute {
		return 0, false // the clock was set back: it was wrong before, or is now
	}
	d = max(d, 0)
	e.gap = Gap{From: o.Set.Wall.Add(o.At - o.Set.Mono), For: d, At: o.At}
	return d, true
}

// learnOff takes in the length of a time off that has become known.
func (e *Engine) learnOff(now sensors.Instant) {
	at := e.v.Off.At
	d, known := e.closeOff(now)
	if !known {
		return
	}
	e.v.Off.Added += max(0, d-room.UnknownOff)
	e.lives.age(d, at)
	for i := range e.v.Enclosures {
		if dose := &e.v.Enclosures[i].St.Dose; dose.Minutes > 0 {
			dose.Unknown += d
		}
	}
}

// TakeGap returns the last stretch in which nobody looked, once, as soon as its
// length is known.
func (e *Engine) TakeGap() (Gap, bool) {
	g := e.gap
	e.gap = Gap{}
	if !g.From.IsZero() {
		g.From = g.From.In(e.v.Loc)
	}
	return g, g.For > 0
}

// interrupt goes on after a stretch of which nothing is known. Nothing is judged
// across it: what the engine saw before is no longer present, and what takes two
// looks begins anew. Alarms that are open stay so.
func (e *Engine) interrupt(now sensors.Instant, a room.Absence) {
	switch {
	case !a.Known:
		e.v.Off.Added += room.UnknownOff
	case !a.Short:
		e.v.Off.Added += a.Off
		e.lives.age(a.Off, now.Mono+1)
	}
	forgive(e.v, a, now.Mono)
	if a.Short {
		return
	}
	e.v.Watched = now.Mono
	e.v.Absence = a
	for i := range e.v.Contacts { // what it said before is not present
		e.v.Contacts[i].St.Known, e.v.Contacts[i].St.Waiting = false, true
	}
	e.run(room.Blind)
	e.v.Forget(a)
	if a.Long() {
		e.lives.each(func(s *room.Alarm) { s.Rec.Life.Interrupt(now) })
	}
	e.v.AgeAt = -1
}

// age makes what was seen before a time off as old as it is.
func (ls *lives) age(off, before time.Duration) {
	back := func(at *time.Duration) {
		if *at < before {
			*at -= off
		}
	}
	for i := range ls.v.Probes {
		st := &ls.v.Probes[i].St
		if !st.Heard.IsZero() && st.Heard.Mono < before && !ls.v.Probes[i].Silent() {
			st.Unseen += off // nobody listened
		}
		for _, at := range []*time.Duration{&st.Last.Mono, &st.Heard.Mono, &st.Good.Mono, &st.TempAt, &st.AnyAt, &st.HumAt} {
			back(at)
		}
	}
	ls.each(func(s *room.Alarm) { // who answered before has not looked since
		if l := &s.Rec.Life; l.State == alarm.Acked && l.AckedAt <= ls.v.Off.At {
			l.AckedAt -= off
		}
	})
	for i := range ls.v.Enclosures {
		st := &ls.v.Enclosures[i].St
		for _, at := range []*time.Duration{&st.At.Mono, &st.PulseAt, &st.DoorAt, &st.Excused} {
			back(at)
		}
	}
}

// forgive takes a stretch that the engine knows nothing of for what it is: no
// silence, no missed mist and no doubt is taken from it.
func forgive(v *room.View, a room.Absence, now time.Duration) {
	for i := range v.Probes {
		p := &v.Probes[i]
		switch {
		case p.Silent():
			p.St.Unseen = 0
		case a.Short:
			p.St.Unseen += a.Lost
		default:
			p.St.Unseen = now - p.HeardAt()
		}
	}
}
