package alert

import (
	"dewline/sensors"
	"dewline/store"
)

// An Event is one line for the journal: what became of a notice.
type Event struct {
	At     sensors.Instant `json:"at"`
	Notice string          `json:"notice"`
	// What is "raised", "handed-over", "failed", "dropped", "acknowledged",
	// "escalated", "ended" or "merged"; "drill" and "drill-over" for a drill. Older
	// records have "repeats-over".
	What    string `json:"what"`
	Person  string `json:"person,omitempty"`
	Channel string `json:"channel,omitempty"`
	Why     string `json:"why,omitempty"`
	// Version is the one that was handed over, 0 for other events.
	Version int `json:"version,omitempty"`
}

// Effects are what a call of the Desk asks for. Docs are to be
// committed together; Send may go out before that commit ends, and goes out
// even if it fails.
type Effects struct {
	Docs   []store.Doc // of one key the last counts
	Send   []Delivery
	Events []Event
}

// A call is what all parts of a Desk share: what they work by, the moment of the
// call in progress, and what it asks for so far.
type call struct {
	opt Options
	now sensors.Instant
	eff Effects
}

func (c *call) log(e Event) {
	e.At = c.now
	c.eff.Events = append(c.eff.Events, e)
}
