package room

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Contact is a configured contact with what it says and its alarms.
type Contact struct {
	Cfg    configs.Contact
	Open   Kinds // of alarms that are not NORM
	St     ContactState
	Alarms [int(alarm.FirstSelfKind - alarm.FirstContactKind)]Alarm
}

// ContactState is what a contact said. What is not known is no fact: not that it is
// active, nor that it is not.
type ContactState struct {
	Known   bool          `json:"known"`
	Waiting bool          `json:"waiting,omitempty"` // it may not have been heard yet
	Active  bool          `json:"active"`
	Value   float64       `json:"value,omitempty"` // of a battery
	Why     string        `json:"why,omitempty"`   // it is not known
	At      time.Duration `json:"at"`              // running time of the last word
	Since   time.Duration `json:"since"`           // it has been so
	Sure    time.Duration `json:"sure"`            // it has been known without a gap
	Ran     time.Duration `json:"ran,omitempty"`   // it was active last, 0 for never
}

// contactStale is how old the last word may be: a source says something every 10 s.
const contactStale = time.Minute

func newContact(i int, cfg configs.Contact) Contact {
	c := Contact{Cfg: cfg, St: ContactState{Waiting: true}}
	makeAlarms(c.Alarms[:], alarm.FirstContactKind, i, cfg.ID)
	return c
}

// Alarm is the contact's alarm of one kind.
func (c *Contact) Alarm(k alarm.Kind) *Alarm { return &c.Alarms[k-alarm.FirstContactKind] }

func (c *Contact) take(s sensors.Contact) {
	now, st := s.At.Mono, &c.St
	fresh := c.Known(now)
	if fresh && st.Active {
		st.Ran = now
	}
	if s.Known && (!fresh || s.Active != st.Active) {
		st.Since = now
	}
	if s.Known && !fresh {
		st.Sure = now
	}
	st.Known, st.Waiting, st.At, st.Why = s.Known, s.Waiting, now, s.Why
	if s.Known {
		st.Active, st.Value = s.Active, s.Value
	}
}

// Known reports whether it is known what the contact says.
func (c *Contact) Known(now time.Duration) bool { return c.St.Known && now-c.St.At <= contactStale }

// Contacts are those of a room.
type Contacts []Contact

// Touch takes what a contact says; false for an unknown one.
func (c Contacts) Touch(s sensors.Contact) bool {
	for i := range c {
		if c[i].Cfg.ID == s.ID {
			c[i].take(s)
			return true
		}
	}
	return false
}

// Fact returns for how long a contact of a sense about an enclosure has been known to
// be active, or known not to be; false for not known or not so.
func (v *View) Fact(en *Enclosure, is configs.Sense, active bool) (time.Duration, bool) {
	c := v.contact(en, is)
	if c == nil || c.St.Active != active {
		return 0, false
	}
	return v.At.Mono - c.St.Since, true
}

// contact is one of a sense about an enclosure of which it is known what it says.
func (v *View) contact(en *Enclosure, is configs.Sense) *Contact {
	var found *Contact
	for i := range v.Contacts {
		c := &v.Contacts[i]
		if c.Cfg.Is != is || !c.Cfg.About(en.Cfg.ID) || !v.feeds(c, en) || !c.Known(v.At.Mono) {
			continue
		}
		if found == nil || len(c.Cfg.Serves) > 0 && len(found.Cfg.Serves) == 0 { // the narrower one
			found = c
		}
	}
	return found
}

// feeds reports whether a pump or a reservoir has to do with an enclosure's mist.
func (m Mists) feeds(c *Contact, en *Enclosure) bool {
	if c.Cfg.Is != configs.SensePump && c.Cfg.Is != configs.SenseReservoir {
		return true
	}
	return en.Mist >= 0 && (c.Cfg.Mist == "" || m.SupplyOf(en.Mist) == m.supplyNamed(c.Cfg.Mist))
}

// SupplyOfContact is the supply that a pump or a reservoir has to do with: that of
// the schedule that it names, or the only one, or else the contact's own id.
func (v *View) SupplyOfContact(c *Contact) string {
	switch {
	case c.Cfg.Mist != "":
		return v.supplyNamed(c.Cfg.Mist)
	case len(v.Mists) == 1:
		return v.SupplyOf(0)
	}
	return c.Cfg.ID
}

// PumpAt reports whether the pump of an enclosure's mist ran between two running
// times; known is false where nobody knows it for all of that time.
func (v *View) PumpAt(en *Enclosure, from, to time.Duration) (ran, known bool) {
	c := v.contact(en, configs.SensePump)
	switch {
	case c == nil:
		return false, false
	case c.St.Active && c.St.Since <= to, c.St.Ran >= from && c.St.Ran > 0:
		return true, true
	}
	return false, c.St.Sure <= from
}

// MainsAway says that a contact knows the mains of an enclosure to be away, nil where
// it does not.
func (v *View) MainsAway(en *Enclosure) *alarm.Fact {
	if away, ok := v.Fact(en, configs.SenseMains, false); ok {
		f := v.Ago(alarm.Fact{ID: alarm.FactMainsAway}, v.At, away)
		return &f
	}
	return nil
}

// DoorOpen reports whether the door of an enclosure is open, by its contact or by
// what its climate did.
func (v *View) DoorOpen(en *Enclosure) bool {
	if _, open := v.Fact(en, configs.SenseDoor, true); open {
		return true
	}
	_, open := en.St.Door.Open()
	return open
}
