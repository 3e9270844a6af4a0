package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

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
