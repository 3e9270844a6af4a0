package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// state says what is the matter. An alarm of which there is one thing to say has
// a fact of its own id.
func (ls *lives) state(s *room.Alarm) alarm.Fact {
	r, row := &s.Rec, s.Kind.Row()
	switch {
	case r.Life.Active && r.Life.Seen == alarm.Back && row.AtLimit:
		return alarm.Fact{ID: alarm.FactReturning}
	case row.Of == alarm.OfDewline && r.Given.Is.ID != "":
		return r.Given.Is
	}
	if j, ok := ls.judge[s.Kind].(teller); ok {
		return j.Fact(ls.v, s)
	}
	return alarm.Fact{ID: alarm.FactID(row.ID)}
}
