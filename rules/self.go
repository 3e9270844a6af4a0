package rules

import (
	"slices"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Set raises, updates or ends an alarm about dewline itself. Alarms that the
// engine judges by itself cannot be set: then nothing happens.
func (e *Engine) Set(now sensors.Instant, c Condition) []Transition {
	e.lives.out = e.lives.out[:0]
	k, ok := alarm.KindOf(c.Key.Alarm)
	if !ok || k.Row().Of != alarm.OfDewline {
		return nil
	}
	e.advance(now)
	s := e.lives.selfAlarm(k, c.Key.Subject)
	if !c.Active {
		if s.Open() {
			e.out.Hold(s, false)
		}
		return e.lives.out
	}
	news := s.Open() && (s.Rec.Given == nil || s.Rec.Given.Is != c.Is || !slices.Equal(s.Rec.Given.Evidence, c.Evidence))
	s.Rec.Given = &room.Given{Is: c.Is, Evidence: c.Evidence, Steps: c.Steps}
	s.Rec.Value, s.Rec.HasValue, s.Rec.Limit, s.Rec.HasLimit = c.Value, c.HasValue, c.Limit, c.HasLimit
	s.Rec.Unit = c.Unit
	if !s.Rec.Life.Active {
		s.Rec.Priority = min(c.Priority, alarm.Wake)
	}
	e.out.Hold(s, true)
	switch {
	case c.Priority > s.Rec.Priority:
		e.out.Raise(s, c.Priority)
	case news && len(e.lives.out) == 0:
		e.lives.update(s, now, "news")
	}
	return e.lives.out
}
