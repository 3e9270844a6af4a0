package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Gap is a stretch in which nobody looked: dewline was off, or stood still.
type Gap struct {
	From time.Time // by a set clock; zero where none was
	For  time.Duration
	At   time.Duration // running time, which stood still in it; 0 where it went on
}

// Off is what is known of the time in which dewline did not run. Running time
// stands still in it, so only a clock that is set before and after tells its
// length.
type Off struct {
	Set   sensors.Instant `json:"set,omitzero"`    // the newest moment with a set clock
	Open  bool            `json:"open,omitempty"`  // it was off since then, for how long is not known yet
	At    time.Duration   `json:"at,omitempty"`    // running time at which that began
	Added time.Duration   `json:"added,omitempty"` // by how much the estimators' time is ahead of running time
}

// unknownOff stands in the estimators' time for an unknown length: none of them
// compares values that are so far apart.
const unknownOff = 6 * time.Hour

// An Absence is one stretch that the engine has to make up for.
type Absence struct {
	Lost   time.Duration // running time of which the engine remembers nothing
	Off    time.Duration // and time that running time does not count
	Known  bool          // Off is
	Nobody time.Duration // looked for so long; what was lost with a state was looked at
	Short  bool          // a reload, a clean stop and start: only silence is forgiven
}

// Long reports whether it was too long for anything to be as it was.
func (a Absence) Long() bool { return !a.Known || a.Nobody > LongestInterval }

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
	e.interrupt(now, Absence{Lost: stood, Known: true, Nobody: stood, Short: stood <= max(polls, stoodShort)})
}

// stoodShort is how long an engine may stand still and go on with what it knows,
// as its running time counts that.
const stoodShort = 2 * time.Minute

// estAt is the time that the estimators live in. It counts the time off too, so
// that what they compare lies as far apart as it did.
func (v *View) EstAt(mono time.Duration) time.Duration { return mono + v.Off.Added }

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
	e.v.Off.Added += max(0, d-unknownOff)
	e.age(d, at)
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
func (e *Engine) interrupt(now sensors.Instant, a Absence) {
	switch {
	case !a.Known:
		e.v.Off.Added += unknownOff
	case !a.Short:
		e.v.Off.Added += a.Off
		e.age(a.Off, now.Mono+1)
	}
	e.forgive(a, now.Mono)
	if a.Short {
		return
	}
	e.v.Watched = now.Mono
	e.v.Absence = a
	e.run(Blind)
	for i := range e.v.Probes {
		e.v.Probes[i].interrupt(now.Mono)
	}
	for i := range e.v.Enclosures {
		en := &e.v.Enclosures[i]
		en.interrupt(a)
		e.v.Combine(en, now.Mono)
	}
	if a.Long() {
		e.lives.each(func(s *Alarm) { s.Rec.Life.Interrupt(now) })
	}
	e.v.AgeAt = -1
}

// age makes what was seen before a time off as old as it is.
func (e *Engine) age(off, before time.Duration) {
	back := func(at *time.Duration) {
		if *at < before {
			*at -= off
		}
	}
	for i := range e.v.Probes {
		st := &e.v.Probes[i].St
		if !st.Heard.IsZero() && st.Heard.Mono < before && !e.v.Probes[i].Alarm(alarm.KindSilent).Rec.Life.Active {
			st.Unseen += off // nobody listened
		}
		for _, at := range []*time.Duration{&st.Last.Mono, &st.Heard.Mono, &st.Good.Mono, &st.TempAt, &st.AnyAt, &st.HumAt} {
			back(at)
		}
	}
	e.lives.each(func(s *Alarm) { // who answered before has not looked since
		if l := &s.Rec.Life; l.State == alarm.Acked && l.AckedAt <= e.v.Off.At {
			l.AckedAt -= off
		}
	})
	for i := range e.v.Enclosures {
		st := &e.v.Enclosures[i].St
		for _, at := range []*time.Duration{&st.At.Mono, &st.PulseAt, &st.DoorAt, &st.Excused} {
			back(at)
		}
	}
}

// interrupt forgets what takes a reading from before and one from now.
func (p *Probe) interrupt(now time.Duration) {
	st := &p.St
	p.Since = now
	for _, at := range []*time.Duration{&st.TempAt, &st.AnyAt, &st.HumAt, &st.Heard.Mono, &st.Good.Mono} {
		*at = min(*at, now-1) // running time goes on from where it stopped, to the moment
	}
}

// interrupt is that for the estimators which do not see the gap by themselves.
func (en *Enclosure) interrupt(a Absence) {
	st := &en.St
	st.Door.Interrupt()
	st.Moist.Filled = 0
	st.Ahead, st.Turns = Ahead{}, [alarm.NumByTemperature]CauseTurn{}
	if !a.Known {
		st.Dose.Started = false // the length is added when it is known
	}
	if !a.Known || a.Nobody >= unknownOff {
		st.Night.Interrupt()
	}
}

// forgive takes a stretch that the engine knows nothing of for what it is: no
// silence, no missed mist and no doubt is taken from it.
func (e *Engine) forgive(a Absence, now time.Duration) {
	for i := range e.v.Probes {
		p := &e.v.Probes[i]
		switch {
		case p.Alarm(alarm.KindSilent).Rec.Life.Active:
			p.St.Unseen = 0
		case a.Short:
			p.St.Unseen += a.Lost
		default:
			p.St.Unseen = now - p.HeardAt()
		}
	}
}
