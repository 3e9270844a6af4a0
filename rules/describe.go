package rules

import (
	"time"
)

// An Event is a transition as `dewline replay` prints it, one JSON object a
// line. Value and Limit are null where there is none.
type Event struct {
	Time     time.Time `json:"time"`
	Alarm    AlarmID   `json:"alarm"`
	Cause    Cause     `json:"cause"`
	Subject  string    `json:"subject"`
	Seq      uint64    `json:"seq"`
	From     string    `json:"from"`
	To       string    `json:"to"`
	Priority Priority  `json:"priority"`
	Value    *float64  `json:"value"`
	Limit    *float64  `json:"limit"`
	Unit     string    `json:"unit"`
	Text     string    `json:"text"`
}

// Describe turns a transition into the line that `dewline replay` prints.
func Describe(t Transition) Event {
	e := Event{
		Time: t.At.Wall, Alarm: t.Key.Alarm, Cause: t.Cause, Subject: t.Key.Subject, Seq: t.Seq,
		From: t.From.String(), To: t.To.String(), Priority: t.Priority, Unit: t.Unit, Text: t.Text,
	}
	if t.HasValue {
		e.Value = &t.Value
	}
	if t.HasLimit {
		e.Limit = &t.Limit
	}
	return e
}
