package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// doorJudge looks for doors: an opening excuses the humidity floor for a while,
// one left ajar is told. It remembers nothing beside what the View has.
type doorJudge struct{}

// doorLook is one look at the room.
type doorLook struct {
	v   *room.View
	out *room.Out
}

// Step looks at one enclosure.
func (doorJudge) Step(v *room.View, out *room.Out) {
	l := doorLook{v, out}
	l.watchDoor(v.Enclosure, v.At, l.disturbed(v.Enclosure, v.At.Mono))
}

// Cause is the door.
func (doorJudge) Cause(v *room.View, a *room.Alarm) (Cause, []alarm.Fact) {
	return Cause{Kind: CauseDoor, ID: v.Enclosures[a.Index].Cfg.ID}, nil
}
