package rules

import (
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// causes find what is at fault.
type causes struct{ v *room.View }

// heatOf returns the enclosure's other active alarm of heat, whose cause is
// that of a dose as well; nil for none.
func (l heatLook) heatOf(s *room.Alarm) *room.Alarm {
	for _, k := range [...]alarm.Kind{alarm.KindLethal, alarm.KindAhead, alarm.KindAbove} {
		if o := &l.v.Enclosures[s.Index].Alarms[k]; o.Rec.Life.Active && o.Rec.Cause.Kind != "" {
			return o
		}
	}
	return nil
}

// causeOf finds what is at fault for an alarm, with the numbers behind it.
func (ls *lives) causeOf(s *room.Alarm, now sensors.Instant) (Cause, []alarm.Fact) {
	if j, ok := ls.judge[s.Kind].(blamer); ok {
		return j.Cause(ls.v, s)
	}
	if s.Kind.Row().Of == alarm.OfEnclosure {
		return Cause{Kind: CauseEnclosure, ID: ls.v.Enclosures[s.Index].Cfg.ID}, nil
	}
	return Cause{Kind: CauseDewline}, nil
}

// byTemperature finds what the enclosures' temperatures together say.
func (cs causes) byTemperature(a *room.Alarm, now sensors.Instant) (Cause, []alarm.Fact) {
	pic := cs.v.Survey(now)
	return cs.temperatureCause(&cs.v.Enclosures[a.Index], &pic, now, a.Kind)
}

func (l probesLook) probeCause(p probe, k alarm.Kind, now sensors.Instant) (Cause, []alarm.Fact) {
	switch {
	case k == alarm.KindSilent:
		return l.silentCause(p, now)
	case k == alarm.KindWet:
		return l.wetCause(p)
	case k == alarm.KindDisagrees && p.St.Swap.With != "":
		return l.swapCause(p)
	case k == alarm.KindOverdue:
		return Cause{Kind: CauseProbe, ID: p.Cfg.ID}, p.driftEvidence()
	default:
		return Cause{Kind: CauseProbe, ID: p.Cfg.ID}, nil
	}
}

// manyLamps reports whether the enclosures hang on more than one lamp timer:
// then what befalls all of them at once is not a timer.
func (cs causes) manyLamps() bool {
	for i := range cs.v.Enclosures {
		if cs.v.Enclosures[i].Lamps != cs.v.Enclosures[0].Lamps {
			return true
		}
	}
	return false
}

// facts is evidence of facts without quantities.
func Facts(ids ...alarm.FactID) (list []alarm.Fact) {
	for _, id := range ids {
		list = append(list, alarm.Fact{ID: id})
	}
	return list
}

func (cs causes) doubtFact(p *room.Probe, now sensors.Instant) alarm.Fact {
	switch {
	case p.St.Swap.With != "":
		return alarm.Fact{ID: alarm.FactSwappedWith, About: p.St.Swap.With}
	case p.Leapt(now.Mono):
		return alarm.Fact{ID: alarm.FactLeapt, For: now.Mono - p.St.LeapAt, Delta: unit.TemperatureDelta(p.St.Leap.Celsius())}
	case p.Stands(now.Mono):
		return alarm.Fact{ID: alarm.FactStands, For: now.Mono - p.St.StillAt}
	case p.Apart():
		return alarm.Fact{ID: alarm.FactDisagrees}
	default:
		return alarm.Fact{ID: alarm.FactDoubted}
	}
}

// dryCause says what dries an enclosure out.
func (cs causes) dryCause(en *room.Enclosure, now sensors.Instant) (Cause, []alarm.Fact) {
	if _, open := en.St.Door.Open(); open {
		return Cause{Kind: CauseDoor, ID: en.Cfg.ID}, Facts(alarm.FactDoorOpen)
	}
	if s := &en.Alarms[alarm.KindMistMissing]; s.Rec.Life.Active {
		return s.Rec.Cause, []alarm.Fact{{ID: alarm.FactMissed, Count: en.St.Missed}}
	}
	dry, judged := 0, 0
	for i := range cs.v.Enclosures {
		o := &cs.v.Enclosures[i]
		if !o.Now.HasHum || o.Limits.Floor <= 0 || now.Mono-o.St.At.Mono > room.LongestInterval {
			continue
		}
		judged++
		if o.Now.Hum <= o.Limits.Floor {
			dry++
		}
	}
	pic := cs.v.Survey(now)
	if why := cs.roomExplains(en, &pic, hotter); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why, {ID: alarm.FactWarmAir}}
	}
	if why := cs.roomDry(now); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why}
	}
	if judged >= 3 && 10*dry >= 7*judged {
		return Cause{Kind: CauseRoom}, []alarm.Fact{{ID: alarm.FactAtFloor, Count: dry, Of: judged}}
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, nil
}

// roomDrier in %RH is by how much drier than usual at this hour a room has to be
// to dry its enclosures out: a room at 33 % instead of 45 % takes a fifth more
// water out of them.
const roomDrier = 8

// roomDry says that the room's own air is drier than usual, as it is
// when what conditions it has failed; nil where it is not.
func (cs causes) roomDry(now sensors.Instant) *alarm.Fact {
	h, ok := cs.v.RoomHum(now.Mono)
	hour := cs.v.Hour(now)
	if !ok || hour < 0 {
		return nil
	}
	usual, known := cs.v.Air.UsualHum.At(hour)
	if is := float64(h) / 100; known && usual-is >= roomDrier {
		return &alarm.Fact{ID: alarm.FactRoomDry, Percent: is, Usual: usual}
	}
	return nil
}

// lampsAdd in °C is more than a mist cools all enclosures by, and less than
// most lamps warm them.
const lampsAdd = 1.0

// lampsGone says that the enclosures lack what their lamps should add: air that
// cooled so is damp without any mist. It is nil where they do not.
func (cs causes) lampsGone() *alarm.Fact {
	lit, _ := cs.litNow()
	if lit < enoughPeers || 2*lit < len(cs.v.Enclosures) {
		return nil
	}
	pic := cs.v.Survey(cs.v.Latest)
	if !pic.Room.HasTemp || pic.Judged < enoughPeers || pic.Median > -lampsAdd {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactLampsGone, Delta: unit.TemperatureDelta(pic.Median)}
}

func (l mistLook) endlessCause(en *room.Enclosure) (Cause, []alarm.Fact) {
	if why := l.causes().lampsGone(); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why}
	}
	n, mates := 0, 0
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if o.Mist < 0 || en.Mist < 0 || l.v.SupplyOf(o.Mist) != l.v.SupplyOf(en.Mist) {
			continue
		}
		mates++
		if o.Alarms[alarm.KindMistEndless].Rec.Life.Active || o.St.Mist.Soaked() > l.v.Mists[o.Mist].Cfg.Longest.D() {
			n++
		}
	}
	if n > 1 && 2*n >= mates {
		return Cause{Kind: CauseSupply, ID: l.v.SupplyOf(en.Mist)}, []alarm.Fact{{ID: alarm.FactSupplySoaked, Count: n}}
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, nil
}

// silentCause looks whether the others on the same bus are silent too.
func (l probesLook) silentCause(p probe, now sensors.Instant) (Cause, []alarm.Fact) {
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
		return Cause{Kind: CauseDewline}, []alarm.Fact{{ID: alarm.FactAllSilent, Count: all}}
	case mates > 1 && quiet == mates:
		return Cause{Kind: CauseProbe, ID: p.Cfg.Bus}, []alarm.Fact{{ID: alarm.FactBusSilent, Count: mates, About: p.Cfg.Bus}}
	}
	return Cause{Kind: CauseProbe, ID: p.Cfg.ID}, nil
}

// causeHolds is how long a different cause must be seen before it is told.
const causeHolds = 10 * time.Minute

// followCauses tells when an open alarm turns out to have another cause.
func (e *Engine) followCauses(now sensors.Instant) {
	open := false
	for i := range e.v.Enclosures {
		for k := range e.v.Enclosures[i].Alarms {
			s := &e.v.Enclosures[i].Alarms[k]
			open = open || s.Kind.Row().ByTemperature && s.Rec.Life.State.Annunciated()
		}
	}
	if !open {
		return
	}
	pic := e.v.Survey(now)
	for i := range e.v.Enclosures {
		for k := range e.v.Enclosures[i].Alarms {
			s := &e.v.Enclosures[i].Alarms[k]
			if s.Kind.Row().ByTemperature && s.Rec.Life.State.Annunciated() && e.v.Enclosures[i].Now.HasTemp {
				e.followCause(s, &pic, now)
			}
		}
	}
}

func (e *Engine) followCause(s *room.Alarm, pic *climate.Picture, now sensors.Instant) {
	en := &e.v.Enclosures[s.Index]
	cause, why := e.cause.temperatureCause(en, pic, now, s.Kind)
	if cause == s.Rec.Cause {
		s.Rec.Detail.Evidence = why // as it is now
	}
	if s.Rec.Life.Seen != alarm.Beyond {
		return // on its way back: nobody needs another theory
	}
	aged := s.Rec.Cause.Kind == CauseProbe && cause.Kind == CauseEnclosure && now.Mono-s.Rec.Life.Since.Mono < Day
	if aged || len(why) == 0 {
		return // only the evidence has gone: nothing else has turned up
	}
	turn := &en.St.Turns[s.Kind]
	switch {
	case cause == s.Rec.Cause:
		*turn = room.CauseTurn{}
	case cause != turn.Cause:
		*turn = room.CauseTurn{Cause: cause, At: now.Mono}
	case now.Mono-turn.At >= causeHolds:
		*turn = room.CauseTurn{}
		e.lives.update(s, now, whyCause)
	}
}
