package rules

import (
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

// degrees are hundredths of °C as readings hold them.
func Degrees(centi int32) unit.Temperature { return unit.Temperature(centi) / 100 }

// state says what is the matter. An alarm of which there is one thing to say has
// a fact of its own id.
func (ls *lives) state(s *Alarm) alarm.Fact {
	r, row := &s.Rec, s.Kind.Row()
	switch {
	case r.Life.Active && r.Life.Seen == alarm.Back && row.AtLimit:
		return alarm.Fact{ID: alarm.FactReturning}
	case r.Given.Text != "":
		return alarm.Fact{ID: alarm.FactSaid, Note: strings.TrimSuffix(r.Given.Text, ".")}
	}
	if j, ok := ls.judgeOf(s.Kind).(teller); ok {
		return j.Fact(ls.v, s)
	}
	if row.Of == alarm.OfEnclosure {
		return ls.enclosureState(s, &ls.v.Enclosures[s.Index])
	}
	return alarm.Fact{ID: alarm.FactID(row.ID)}
}

func (ls *lives) enclosureState(s *Alarm, en *Enclosure) alarm.Fact {
	r, f := &s.Rec, alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID)}
	switch s.Kind {
	case alarm.KindAhead:
		f.Temperature, f.Lethal, f.Ahead = Degrees(en.Now.Hot), Degrees(en.Limits.Ceiling), rangeOf(en.St.Ahead.ToCeiling)
		if en.Now.Hot >= en.Limits.Ceiling {
			f.ID = alarm.FactReached
		}
	case alarm.KindAbove, alarm.KindBelow:
		return ls.bandState(s, en)
	case alarm.KindFloor:
		if en.Limits.Dry > 0 && r.Value*100 <= float64(en.Limits.Dry) {
			f.ID = alarm.FactFarDry
		}
	case alarm.KindNightDrop:
		f.Count = en.St.Night.Streak(r.Limit)
	case alarm.KindMistMissing:
		if f.Count = int(r.Value); f.Count > 1 {
			f.ID = alarm.FactMissedAgain
		}
	case alarm.KindMistWeak:
		f.Count = int(r.Value)
	case alarm.KindDryDown:
		if en.St.Dry.Hint() == climate.DrySlower {
			f.ID = alarm.FactSlower
		}
	case alarm.KindLampStuck:
		if step, ok := en.St.Lamps.Step(); ok && step.On {
			f.ID = alarm.FactLampsNotOn
		}
	}
	return f
}

func (ls *lives) bandState(s *Alarm, en *Enclosure) alarm.Fact {
	_, _, band := ls.v.Band(en)
	switch limit := s.Rec.Limit * 100; {
	case s.Kind == alarm.KindAbove && limit >= float64(en.Limits.Act):
		return alarm.Fact{ID: alarm.FactAct}
	case s.Kind == alarm.KindBelow && limit <= float64(en.Limits.Cold):
		return alarm.Fact{ID: alarm.FactCold}
	}
	return alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID), About: band}
}

func (l probesLook) probeState(s *Alarm, p probe) alarm.Fact {
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
