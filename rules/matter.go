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

func (l probesLook) probeState(s *room.Alarm, p probe) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID)}
	switch s.Kind {
	case alarm.KindSilent:
		switch {
		case s.Rec.Value > 0 && p.humidityGone(true).Seconds() >= s.Rec.Value:
			f.ID = alarm.FactHumiditySilent
		case p.Encl >= 0 && len(l.v.Enclosures[p.Encl].Probes) == 1:
			f.ID = alarm.FactBlind
		}
	case alarm.KindJump:
		if p.St.Alone {
			f.ID = alarm.FactJumpAlone
		}
	case alarm.KindDisagrees:
		switch swap := &p.St.Swap; {
		case swap.With != "" && swap.Late:
			return alarm.Fact{ID: alarm.FactSwappedLate, About: swap.With}
		case swap.With != "":
			return alarm.Fact{ID: alarm.FactSwapped, About: swap.With}
		case !s.Rec.HasLimit:
			f.ID = alarm.FactStood
		}
	case alarm.KindOverdue:
		switch {
		case p.dueHum && !p.dueTemp:
			f.ID = alarm.FactDueHumidity
		case p.dueTemp && !p.dueHum:
			f.ID = alarm.FactDueTemperature
		}
	}
	return f
}
