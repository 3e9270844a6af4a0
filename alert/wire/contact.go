package wire

import (
	"dewline/alert"
	"dewline/rules"
)

// A Contact is what the API says of one contact. Where it is not known nothing
// follows from it: not that it is active, nor that it is not.
type Contact struct {
	ID     string   `json:"id"`
	Is     string   `json:"is"` // mains, pump, reservoir, door or battery
	Known  bool     `json:"known"`
	Why    string   `json:"why,omitempty"` // it is not known
	Serves []string `json:"serves"`        // enclosures; none for the whole room
	// Active says that the mains are there, the pump runs, the reservoir or the
	// battery is low, the door is open.
	Active  *bool    `json:"active,omitempty"`
	Seconds *int64   `json:"for_seconds,omitempty"` // it has been so
	Value   *float64 `json:"value,omitempty"`       // of a battery
	Unit    string   `json:"unit,omitempty"`
}

// ContactsOf lists the contacts of a snapshot in file order.
func ContactsOf(s *alert.Snapshot) []Contact { return listOf(s.Contacts, contactOf) }

func contactOf(v *rules.ContactView) Contact {
	c := Contact{ID: v.ID, Is: v.Is, Known: v.Known, Serves: list(v.Serves)}
	if !v.Known {
		c.Why = v.Why
		return c
	}
	c.Active, c.Seconds = &v.Active, maybeSeconds(&v.For)
	if v.Unit != "" {
		c.Value, c.Unit = &v.Value, v.Unit
	}
	return c
}
