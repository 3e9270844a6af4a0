package rules

import (
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
)

// degrees are hundredths of °C as readings hold them.
func degrees(centi int32) unit.Temperature { return unit.Temperature(centi) / 100 }

// state says what is the matter. An alarm of which there is one thing to say has
// a fact of its own id.
func (e *Engine) state(s *slot) alarm.Fact {
	r, row := &s.rec, s.kind.Row()
	switch {
	case r.Life.Active && r.Life.Seen == alarm.Back && row.AtLimit:
		return alarm.Fact{ID: alarm.FactReturning}
	case row.Of == alarm.OfEnclosure:
		return e.enclosureState(s, &e.encls[s.subj])
	case row.Of == alarm.OfProbe:
		return e.probeState(s, &e.probes[s.subj])
	case r.Given.Text != "":
		return alarm.Fact{ID: alarm.FactSaid, Note: strings.TrimSuffix(r.Given.Text, ".")}
	}
	return alarm.Fact{ID: alarm.FactID(row.ID)}
}

func (e *Engine) enclosureState(s *slot, en *enclosure) alarm.Fact {
	r, f := &s.rec, alarm.Fact{ID: alarm.FactID(s.kind.Row().ID)}
	switch s.kind {
	case alarm.KindAhead:
		f.Temperature, f.Lethal, f.Ahead = degrees(en.now.hot), degrees(en.lim.ceiling), rangeOf(en.st.Ahead.ToCeiling)
		if en.now.hot >= en.lim.ceiling {
			f.ID = alarm.FactReached
		}
	case alarm.KindAbove, alarm.KindBelow:
		return e.bandState(s, en)
	case alarm.KindFloor:
		if en.lim.dry > 0 && r.Value*100 <= float64(en.lim.dry) {
			f.ID = alarm.FactFarDry
		}
	case alarm.KindNightDrop:
		f.Count = en.st.Night.Streak(r.Limit)
	case alarm.KindMistMissing:
		if f.Count = int(r.Value); f.Count > 1 {
			f.ID = alarm.FactMissedAgain
		}
	case alarm.KindMistWeak:
		f.Count = int(r.Value)
	case alarm.KindDryDown:
		if en.st.Dry.Hint() == climate.DrySlower {
			f.ID = alarm.FactSlower
		}
	case alarm.KindLampStuck:
		if step, ok := en.st.Lamps.Step(); ok && step.On {
			f.ID = alarm.FactLampsNotOn
		}
	}
	return f
}

func (e *Engine) bandState(s *slot, en *enclosure) alarm.Fact {
	_, _, band := e.band(en)
	switch limit := s.rec.Limit * 100; {
	case s.kind == alarm.KindAbove && limit >= float64(en.lim.act):
		return alarm.Fact{ID: alarm.FactAct}
	case s.kind == alarm.KindBelow && limit <= float64(en.lim.cold):
		return alarm.Fact{ID: alarm.FactCold}
	}
	return alarm.Fact{ID: alarm.FactID(s.kind.Row().ID), About: band}
}

func (e *Engine) probeState(s *slot, p *probe) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactID(s.kind.Row().ID)}
	switch s.kind {
	case alarm.KindSilent:
		switch {
		case s.rec.Value > 0 && p.humidityGone(true).Seconds() >= s.rec.Value:
			f.ID = alarm.FactHumiditySilent
		case p.encl >= 0 && len(e.encls[p.encl].probes) == 1:
			f.ID = alarm.FactBlind
		}
	case alarm.KindJump:
		if p.st.Alone {
			f.ID = alarm.FactJumpAlone
		}
	case alarm.KindDisagrees:
		switch swap := &p.st.Swap; {
		case swap.With != "" && swap.Late:
			return alarm.Fact{ID: alarm.FactSwappedLate, About: swap.With}
		case swap.With != "":
			return alarm.Fact{ID: alarm.FactSwapped, About: swap.With}
		case !s.rec.HasLimit:
			f.ID = alarm.FactStood
		}
	case alarm.KindOverdue:
		switch {
		case p.due.hum && !p.due.temp:
			f.ID = alarm.FactDueHumidity
		case p.due.temp && !p.due.hum:
			f.ID = alarm.FactDueTemperature
		}
	}
	return f
}
