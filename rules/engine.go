package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// New returns an engine for a complete configuration.
func New(cfg *configs.Config) *Engine {
	e := &Engine{}
	e.build(cfg)
	return e
}

// Step takes one reading. The transitions are valid until the next call; in
// the steady state nothing is allocated. A reading that is not newer than the
// last one of its probe, or of an unknown probe, changes nothing.
func (e *Engine) Step(r *sensors.Reading) []Transition {
	e.lives.out = e.lives.out[:0]
	i, ok := e.order.index(r.Probe, e.v.ByID)
	if !ok {
		return nil
	}
	p := &e.v.Probes[i]
	if p.St.Readings > 0 && r.At.Mono <= p.St.Last.Mono {
		return nil
	}
	e.advance(r.At)
	e.v.Probe, e.v.Reading, e.v.Enclosure = i, *r, nil
	if p.Encl >= 0 {
		e.v.Enclosure = &e.v.Enclosures[p.Encl]
	}
	e.run(room.Arrived)
	if en := e.v.Enclosure; en == nil {
		e.run(room.Around)
	} else if r.Quality != sensors.Bad && !en.Now.Waits {
		e.estimate(en, r.At.Mono)
	}
	return e.lives.out
}

// Contact takes what a contact says. The transitions are valid until the next call.
func (e *Engine) Contact(s sensors.Contact) []Transition {
	e.lives.out = e.lives.out[:0]
	e.advance(s.At)
	if e.v.Touch(s) {
		e.run(room.Touched)
	}
	return e.lives.out
}

// advance takes in the time. Where nothing called for long, the process stood
// still or the board slept: nobody looked.
func (e *Engine) advance(now sensors.Instant) {
	if now.Same(&e.v.At) && e.began {
		return
	}
	was, began := e.v.Latest, e.began
	e.note(now)
	if began {
		e.stoodStill(was, now)
	}
}

// note notes the time and reads the schedules when the minute has changed.
func (e *Engine) note(now sensors.Instant) {
	e.v.At = now
	if !e.began {
		e.began, e.v.Watched = true, now.Mono
		for i := range e.v.Probes {
			if e.v.Probes[i].St.Began.IsZero() {
				e.v.Probes[i].St.Began = now
			}
		}
	}
	if now.Mono >= e.v.Latest.Mono {
		e.v.Latest = now
		if e.v.Off.Open && now.Synced {
			e.learnOff(now)
		}
		if now.Synced {
			e.v.Off.Set = now
		}
	}
	e.v.ReadClock(now)
}

// estimate lets the judges look for which the reading at hand is enough, each at
// its own pace.
func (e *Engine) estimate(en *room.Enclosure, now time.Duration) {
	if now-en.St.QuickAt >= room.QuickEvery || en.St.QuickAt == 0 {
		en.St.QuickAt = now
		e.run(room.Quick)
	}
	if now-en.St.SlowAt < room.SlowEvery && en.St.SlowAt != 0 {
		return
	}
	en.St.SlowAt = now
	if en.Now.HasTemp {
		e.run(room.Slow)
	}
}

// Facts returns what the estimators found since the last call: mists, dry-downs,
// nights and doses. Each is told once, by the values that the alarms are judged by.
func (e *Engine) Facts() []event.Event {
	out := e.lives.facts
	e.lives.facts = nil
	return out
}

// Tick lets time pass: silence, delays, schedules and ends of shelves. Call it
// at least once a poll. The transitions are valid until the next call.
func (e *Engine) Tick(now sensors.Instant) []Transition {
	e.lives.out = e.lives.out[:0]
	e.advance(now)
	// Nothing grows too old before AgeAt; until then only open alarms need a
	// look.
	aged := e.v.Aged()
	e.run(room.Ticked)
	if aged || e.v.Open > 0 {
		for i := range e.v.Enclosures {
			if en := &e.v.Enclosures[i]; aged || en.Open > 0 {
				e.lives.tickEnclosure(en, now)
			}
		}
	}
	if aged {
		e.v.AgeAt = e.v.NextAge(now.Mono)
	}
	e.lives.eachOpen(func(s *room.Alarm) { e.out.Apply(s, alarm.Missing, 0) })
	if now.Mono-e.minuteAt >= room.SlowEvery || e.minuteAt == 0 {
		e.minuteAt = now.Mono
		e.minutely(now)
	}
	return e.lives.out
}

// tickEnclosure marks what cannot be evaluated because nothing has come.
func (ls *lives) tickEnclosure(en *room.Enclosure, now sensors.Instant) {
	temp, hum := ls.v.Sources(en, now.Mono)
	if !temp {
		en.Now.HasTemp = false
	}
	if !hum {
		en.Now.HasHum = false
	}
	starting := now.Mono-ls.v.Watched <= ls.v.WaitFor(en)
	for k := range en.Open.All() {
		s := &en.Alarms[k]
		switch row := s.Kind.Row(); {
		case row.ByTemperature && (temp || !starting):
			ls.setUnknown(s, now, !temp)
		case row.ByHumidity && (hum || !starting):
			ls.setUnknown(s, now, !hum)
		}
	}
}

// minutely does what needs no more haste.
func (e *Engine) minutely(now sensors.Instant) {
	e.run(room.Schedule)
	e.run(room.Minute)
	if e.v.Open > 0 {
		e.followCauses(now)
	}
	e.run(room.Learn)
	e.lives.load.Pass(now.Mono)
	if now.Mono-e.hourAt >= time.Hour || e.hourAt == 0 {
		e.hourAt = now.Mono
		e.run(room.Hour)
	}
}

// causeHolds is how long a different cause must be seen before it is told.
const causeHolds = 10 * time.Minute

// followCauses tells when an open alarm turns out to have another cause.
func (e *Engine) followCauses(now sensors.Instant) {
	var pic *climate.Picture
	for i := range e.v.Enclosures {
		en := &e.v.Enclosures[i]
		for k := range en.Open.All() {
			s := &en.Alarms[k]
			if !k.Row().ByTemperature || !en.Now.HasTemp {
				continue
			}
			if pic == nil {
				pic = e.v.Survey(now)
			}
			e.followCause(s, pic, now)
		}
	}
}

func (e *Engine) followCause(s *room.Alarm, pic *climate.Picture, now sensors.Instant) {
	en := &e.v.Enclosures[s.Index]
	cause, why := e.cause.Temperature(en, pic, now, s.Kind)
	switch k := s.Rec.Cause.Kind; {
	case cause == s.Rec.Cause:
		s.Rec.Because(why) // as it is now
	case k == alarm.CauseRoom, k == alarm.CauseShelf, k == alarm.CauseEnclosure:
		s.Rec.Because(nil) // it was so when it was said, and every text says that it is so
	}
	if s.Rec.Life.Seen != alarm.Beyond || !s.Rec.Life.State.Annunciated() {
		return // on its way back, or told by another: nobody needs another theory
	}
	aged := s.Rec.Cause.Kind == alarm.CauseProbe && cause.Kind == alarm.CauseEnclosure && now.Mono-s.Rec.Life.Since.Mono < Day
	if aged || len(why) == 0 {
		return // only the evidence has gone: nothing else has turned up
	}
	turn := &en.St.Turns[s.Kind]
	switch {
	case cause == s.Rec.Cause:
		*turn = room.CauseTurn{}
	case cause != turn.Cause:
		*turn = room.CauseTurn{Cause: cause, At: now.Mono}
	case now.Mono-turn.At >= causeHolds:
		*turn = room.CauseTurn{}
		e.lives.update(s, now, whyCause)
	}
}
