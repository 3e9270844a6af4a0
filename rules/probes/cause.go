package probes

import (
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// Cause says what is at fault, with the numbers behind it.
func (j *Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	l := look{Judge: j, v: v}
	p := l.at(a.Index)
	own, swap := alarm.Cause{Kind: alarm.CauseProbe, ID: p.Cfg.ID}, &p.St.Swap
	switch {
	case a.Kind == alarm.KindSilent:
		return l.silentCause(p, v.At)
	case a.Kind == alarm.KindLossy:
		return own, []alarm.Fact{{ID: alarm.FactLosesRows, Percent: 100 * p.Loss.share(), Count: int(p.Loss.Long)}}
	case a.Kind == alarm.KindWet && p.St.Dewy:
		return own, []alarm.Fact{p.dewFact()}
	case a.Kind == alarm.KindWet:
		return own, cause.Facts(alarm.FactWetAtOnce)
	case a.Kind == alarm.KindDisagrees && swap.With != "":
		own.ID = min(p.Cfg.ID, swap.With) // of both, so that they make one notice
		if swap.Late {
			return own, cause.Facts(alarm.FactEachElsewhere)
		}
		return own, cause.Facts(alarm.FactExchanged)
	case a.Kind == alarm.KindOverdue:
		return own, p.driftEvidence()
	}
	return own, nil
}

// silentCause looks whether the others on the same bus are silent too, and says of a bad
// radio that it is one.
func (l look) silentCause(p probe, now sensors.Instant) (why alarm.Cause, facts []alarm.Fact) {
	if lost := p.Loss.share(); lost >= lossMany {
		facts = []alarm.Fact{{ID: alarm.FactLosesMany, Percent: 100 * lost}}
	}
	all, silent, mates, quiet := 0, 0, 0, 0
	for i := range l.v.Probes {
		q := &l.v.Probes[i]
		late := now.Mono-q.St.Heard.Mono > q.SilentAfter(&l.v.Cfg.Rules)/2 || q.St.Heard.IsZero()
		all++
		if late {
			silent++
		}
		if q.Cfg.Bus == "" || q.Cfg.Bus != p.Cfg.Bus {
			continue
		}
		mates++
		if late {
			quiet++
		}
	}
	switch {
	case all > 2 && silent == all:
		return alarm.Cause{Kind: alarm.CauseDewline}, append(facts, alarm.Fact{ID: alarm.FactAllSilent, Count: all})
	case mates > 1 && quiet == mates:
		return alarm.Cause{Kind: alarm.CauseProbe, ID: p.Cfg.Bus}, append(facts, alarm.Fact{ID: alarm.FactBusSilent, Count: mates, About: p.Cfg.Bus})
	}
	return alarm.Cause{Kind: alarm.CauseProbe, ID: p.Cfg.ID}, facts
}

// driftEvidence says by how much, nil for a calibration that is merely due.
func (p probe) driftEvidence() (list []alarm.Fact) {
	if v := p.HumDrift.moved(driftHum); v != 0 {
		list = append(list, alarm.Fact{ID: alarm.FactDriftHumidity, Percent: float64(v) / 100})
	}
	if v := p.TempDrift.moved(driftTemp); v != 0 {
		list = append(list, alarm.Fact{ID: alarm.FactDrift, Delta: unit.TemperatureDelta(float64(v) / 100)})
	}
	return list
}

// dewFact says what is odd about a probe whose dew point is too high.
func (p probe) dewFact() alarm.Fact {
	dew, err := climate.DewPoint(p.St.Temp.Celsius(), p.St.Hum.Percent())
	if err != nil {
		return alarm.Fact{ID: alarm.FactDewPointOnly}
	}
	return alarm.Fact{ID: alarm.FactDewPoint, Temperature: unit.Temperature(dew)}
}

// Fact says what is the matter.
func (j *Judge) Fact(v *room.View, s *room.Alarm) alarm.Fact {
	l := look{Judge: j, v: v}
	p := l.at(s.Index)
	f := alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID)}
	switch s.Kind {
	case alarm.KindSilent:
		f.ID = l.silentFact(s, p, f.ID)
	case alarm.KindJump:
		switch {
		case p.St.Alone:
			f.ID = alarm.FactJumpAlone
		case p.Shift.At > 0:
			return alarm.Fact{ID: alarm.FactJumpStays, Delta: unit.TemperatureDelta(p.Shift.By / 100)}
		}
	case alarm.KindDisagrees:
		return disagreeFact(s, p, f)
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

// silentFact is what a silent probe leaves unseen; else for nothing beside itself.
func (l look) silentFact(s *room.Alarm, p probe, other alarm.FactID) alarm.FactID {
	switch {
	case s.Rec.Value > 0 && p.humidityGone(true).Seconds() >= s.Rec.Value:
		return alarm.FactHumiditySilent
	case p.Encl < 0:
		return other
	case s.Rec.Priority == alarm.Wake:
		if en := &l.v.Enclosures[p.Encl]; blindLimit(en, p.HeardAt()) == 0 {
			return alarm.FactBlindRoom
		}
		return alarm.FactBlindRising
	case len(l.v.Enclosures[p.Encl].Probes) == 1:
		return alarm.FactBlind
	}
	return other
}

func disagreeFact(s *room.Alarm, p probe, other alarm.Fact) alarm.Fact {
	switch swap := &p.St.Swap; {
	case swap.With != "" && swap.Late:
		return alarm.Fact{ID: alarm.FactSwappedLate, About: swap.With}
	case swap.With != "":
		return alarm.Fact{ID: alarm.FactSwapped, About: swap.With}
	case !s.Rec.HasLimit:
		return alarm.Fact{ID: alarm.FactStood}
	}
	return other
}
