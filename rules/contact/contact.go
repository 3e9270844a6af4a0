// Package contact tells what contacts say for certain: of the mains, the mist pump,
// the reservoir, doors and batteries; and of which of them nobody knows.
package contact

import (
	"strconv"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

func kindOf(is configs.Sense) alarm.Kind {
	switch is {
	case configs.SenseMains:
		return alarm.KindContactMains
	case configs.SensePump:
		return alarm.KindContactPump
	case configs.SenseReservoir:
		return alarm.KindContactReservoir
	case configs.SenseDoor:
		return alarm.KindContactDoor
	default:
		return alarm.KindContactBattery
	}
}

// A Judge looks at the contacts. It remembers nothing beside what the View has.
type Judge struct{}

// Step looks at all of them.
func (Judge) Step(v *room.View, out *room.Out) {
	for i := range v.Contacts {
		c := &v.Contacts[i]
		known := c.Known(v.At.Mono)
		lost := !known && !c.St.Waiting
		if silent := c.Alarm(alarm.KindContactSilent); lost || silent.Worth() {
			out.Hold(silent, lost)
		}
		judge(v, out, c, known)
	}
}

// judge looks at one. What is not known begins, ends and delays nothing.
func judge(v *room.View, out *room.Out, c *room.Contact, known bool) {
	a := c.Alarm(kindOf(c.Cfg.Is))
	if !known {
		if a.Worth() {
			out.Apply(a, alarm.Missing, 0)
		}
		return
	}
	active := c.St.Active
	switch c.Cfg.Is {
	case configs.SenseMains:
		active = !active
	case configs.SensePump:
		span, most := v.At.Mono-c.St.Since, longest(v, c)
		if active = active && span > most; active {
			a.Against(span.Minutes(), most.Minutes())
		}
	case configs.SenseDoor:
		if en := v.EnclosureOf(a); !a.Rec.Life.Active && en != nil && en.Cfg.Stage == configs.Froglet {
			a.Rec.Priority = alarm.Wake // as a door that is ajar
		}
	}
	if active || a.Worth() {
		out.Hold(a, active)
	}
}

// longest is how long a mist of the pump may last.
func longest(v *room.View, c *room.Contact) (most time.Duration) {
	for i := range v.Mists {
		if c.Cfg.Mist == "" || v.SupplyOf(i) == v.SupplyOfContact(c) {
			most = max(most, v.Mists[i].Cfg.Longest.D())
		}
	}
	if most == 0 {
		return 15 * time.Minute // as of a schedule that does not say
	}
	return most
}

// Cause is what the contact says is at fault.
func (Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	c := &v.Contacts[a.Index]
	switch a.Kind {
	case alarm.KindContactMains:
		return alarm.Cause{Kind: alarm.CausePower}, nil
	case alarm.KindContactPump, alarm.KindContactReservoir:
		return alarm.Cause{Kind: alarm.CauseSupply, ID: v.SupplyOfContact(c)}, nil
	case alarm.KindContactDoor:
		return alarm.Cause{Kind: alarm.CauseDoor, ID: c.Cfg.Serves[0]}, nil
	}
	if a.Kind == alarm.KindContactSilent && c.St.Why != "" {
		return alarm.Cause{Kind: alarm.CauseDewline, ID: c.Cfg.ID}, []alarm.Fact{{ID: alarm.FactSaid, Note: c.St.Why}}
	}
	return alarm.Cause{Kind: alarm.CauseDewline, ID: c.Cfg.ID}, nil
}

// Fact says what is the matter.
func (Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactID(a.Kind.Row().ID)}
	if c := &v.Contacts[a.Index]; a.Kind == alarm.KindContactBattery {
		f.About = strconv.FormatFloat(c.St.Value, 'f', -1, 64) + " " + c.Cfg.Low.Unit
	}
	return f
}
