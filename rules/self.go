package rules

import (
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Set raises, updates or ends an alarm about dewline itself. Alarms that the
// engine judges by itself cannot be set: then nothing happens.
func (e *Engine) Set(now sensors.Instant, c Condition) []Transition {
	e.out = e.out[:0]
	k, ok := alarm.KindOf(c.Key.Alarm)
	if !ok || k.Row().Of != alarm.OfDewline {
		return nil
	}
	e.advance(now)
	s := e.selfSlot(k, c.Key.Subject)
	if !c.Active {
		if s.open() {
			e.hold(s, now, false)
		}
		return e.out
	}
	news := s.open() && s.rec.Given.Text != c.Text
	s.rec.Given = Given{Text: c.Text, Evidence: c.Evidence, FirstAction: c.FirstAction}
	s.rec.Value, s.rec.HasValue, s.rec.Limit, s.rec.HasLimit = c.Value, c.HasValue, c.Limit, c.HasLimit
	s.rec.Unit = c.Unit
	if !s.rec.Life.Active {
		s.rec.Priority = min(c.Priority, Wake)
	}
	e.hold(s, now, true)
	switch {
	case c.Priority > s.rec.Priority:
		e.raisePriority(s, now, c.Priority)
	case news && len(e.out) == 0:
		e.update(s, now, "news")
	}
	return e.out
}

// selfSlot finds or makes the alarm about a part of dewline.
func (e *Engine) selfSlot(k alarm.Kind, subject string) *slot {
	if subject == "" {
		subject = Self
	}
	for _, s := range e.self {
		if s.kind == k && s.rec.Key.Subject == subject {
			return s
		}
	}
	s := makeSlot(k, -1, subject)
	e.self = append(e.self, &s)
	return &s
}
