package rules

import (
	"strconv"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

func shelfName(rack string, shelf int) string { return rack + "/" + strconv.Itoa(shelf) }

// survey looks at all enclosures together, as they are now.
func (e *Engine) survey(now sensors.Instant) climate.Picture {
	e.cases = e.cases[:0]
	for i := range e.encls {
		e.cases = append(e.cases, e.caseOf(&e.encls[i], now))
	}
	room := climate.RoomCase{}
	if t, ok := e.roomTemp(now.Mono); ok {
		room.Temp, room.HasTemp = float64(t)/100, true
		room.Change, room.HasChange = e.room.Trend.Change()
		if hour := e.hour(now); hour >= 0 {
			room.Usual, room.HasUsual = e.room.Usual.At(hour)
		}
	}
	return climate.Survey(room, e.cases, e.scratch)
}

func (e *Engine) caseOf(en *enclosure, now sensors.Instant) climate.Case {
	c := climate.Case{Shelf: en.shelf, Temp: float64(en.now.main) / 100, HasTemp: en.now.hasTemp}
	if en.slots[alarm.KindLethal].rec.Life.State == alarm.OutOfService {
		c.HasTemp = false
	}
	if hour := e.hour(now); hour >= 0 {
		c.Offset, c.HasOffset = en.st.Offset.At(hour)
	}
	c.Change, c.HasChange = en.st.Trend.Change()
	_, c.DoorOpen = en.st.Door.Open()
	c.ProbeDoubt = e.doubtful(en, now, 0) != nil
	return c
}

// doubtful returns the probe of the enclosure that is doubted on that side (0
// for either), the hottest first, nil for none. A probe that leapt down is no
// reason for heat, and neither is a node's clock.
func (e *Engine) doubtful(en *enclosure, now sensors.Instant, side float64) *probe {
	doubt := func(p *probe) bool {
		leapt := p.leapt(now.Mono) && side*float64(p.st.Leap) >= 0
		return p.st.Doubtful && p.st.Reason != sensors.WrongClock || leapt || p.apart() || p.stands(now.Mono)
	}
	for _, i := range en.probes {
		if p := &e.probes[i]; i == en.now.hotProbe && doubt(p) {
			return p
		}
	}
	for _, i := range en.probes {
		if p := &e.probes[i]; doubt(p) {
			return p
		}
	}
	return nil
}

// heatOf returns the enclosure's other active alarm of heat, whose cause is
// that of a dose as well; nil for none.
func (e *Engine) heatOf(s *slot) *slot {
	for _, k := range [...]alarm.Kind{alarm.KindLethal, alarm.KindAhead, alarm.KindAbove} {
		if o := &e.encls[s.subj].slots[k]; o.rec.Life.Active && o.rec.Cause.Kind != "" {
			return o
		}
	}
	return nil
}

// causeOf finds what is at fault for an alarm, with the numbers behind it.
func (e *Engine) causeOf(s *slot, now sensors.Instant) (Cause, []alarm.Fact) {
	switch {
	case s.kind.Row().Of == alarm.OfEnclosure:
		return e.enclosureCause(&e.encls[s.subj], s, now)
	case s.kind.Row().Of == alarm.OfProbe:
		return e.probeCause(&e.probes[s.subj], s.kind, now)
	default:
		return Cause{Kind: CauseDewline}, nil
	}
}

func (e *Engine) enclosureCause(en *enclosure, s *slot, now sensors.Instant) (Cause, []alarm.Fact) {
	if s.kind == alarm.KindExposure {
		if o := e.heatOf(s); o != nil {
			return o.rec.Cause, o.rec.Detail.Evidence
		}
	}
	if s.kind.Row().ByTemperature {
		pic := e.survey(now)
		return e.temperatureCause(en, &pic, now, s.kind)
	}
	switch s.kind {
	case alarm.KindFloor:
		return e.dryCause(en, now)
	case alarm.KindDoorAjar:
		return Cause{Kind: CauseDoor, ID: en.cfg.ID}, nil
	case alarm.KindMistMissing, alarm.KindMistWeak, alarm.KindLampStuck:
		return s.rec.Cause, nil // set where it was judged
	case alarm.KindMistEndless:
		return e.endlessCause(en)
	default:
		return Cause{Kind: CauseEnclosure, ID: en.cfg.ID}, nil
	}
}

func (e *Engine) probeCause(p *probe, k alarm.Kind, now sensors.Instant) (Cause, []alarm.Fact) {
	switch {
	case k == alarm.KindSilent:
		return e.silentCause(p, now)
	case k == alarm.KindWet:
		return e.wetCause(p)
	case k == alarm.KindDisagrees && p.st.Swap.With != "":
		return e.swapCause(p)
	case k == alarm.KindOverdue:
		return Cause{Kind: CauseProbe, ID: p.cfg.ID}, p.driftEvidence()
	default:
		return Cause{Kind: CauseProbe, ID: p.cfg.ID}, nil
	}
}

// manyLamps reports whether the enclosures hang on more than one lamp timer:
// then what befalls all of them at once is not a timer.
func (e *Engine) manyLamps() bool {
	for i := range e.encls {
		if e.encls[i].lamps != e.encls[0].lamps {
			return true
		}
	}
	return false
}

// justSwitched reports whether the lamps switched less than an hour ago.
func (e *Engine) justSwitched(en *enclosure) bool {
	return en.lamps >= 0 && e.lamps[en.lamps].known && e.lamps[en.lamps].edge < time.Hour
}

// facts is evidence of facts without quantities.
func facts(ids ...alarm.FactID) (list []alarm.Fact) {
	for _, id := range ids {
		list = append(list, alarm.Fact{ID: id})
	}
	return list
}

func (e *Engine) doubtFact(p *probe, now sensors.Instant) alarm.Fact {
	switch {
	case p.st.Swap.With != "":
		return alarm.Fact{ID: alarm.FactSwappedWith, About: p.st.Swap.With}
	case p.leapt(now.Mono):
		return alarm.Fact{ID: alarm.FactLeapt, For: now.Mono - p.st.LeapAt, Delta: unit.TemperatureDelta(p.st.Leap.Celsius())}
	case p.stands(now.Mono):
		return alarm.Fact{ID: alarm.FactStands, For: now.Mono - p.st.StillAt}
	case p.apart():
		return alarm.Fact{ID: alarm.FactDisagrees}
	default:
		return alarm.Fact{ID: alarm.FactDoubted}
	}
}

// dryCause says what dries an enclosure out.
func (e *Engine) dryCause(en *enclosure, now sensors.Instant) (Cause, []alarm.Fact) {
	if _, open := en.st.Door.Open(); open {
		return Cause{Kind: CauseDoor, ID: en.cfg.ID}, facts(alarm.FactDoorOpen)
	}
	if s := &en.slots[alarm.KindMistMissing]; s.rec.Life.Active {
		return s.rec.Cause, []alarm.Fact{{ID: alarm.FactMissed, Count: en.st.Missed}}
	}
	dry, judged := 0, 0
	for i := range e.encls {
		o := &e.encls[i]
		if !o.now.hasHum || o.lim.floor <= 0 || now.Mono-o.st.At.Mono > longestInterval {
			continue
		}
		judged++
		if o.now.hum <= o.lim.floor {
			dry++
		}
	}
	pic := e.survey(now)
	if why := e.roomExplains(en, &pic, hotter); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why, {ID: alarm.FactWarmAir}}
	}
	if why := e.roomDry(now); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why}
	}
	if judged >= 3 && 10*dry >= 7*judged {
		return Cause{Kind: CauseRoom}, []alarm.Fact{{ID: alarm.FactAtFloor, Count: dry, Of: judged}}
	}
	return Cause{Kind: CauseEnclosure, ID: en.cfg.ID}, nil
}

// roomDrier in %RH is by how much drier than usual at this hour a room has to be
// to dry its enclosures out: a room at 33 % instead of 45 % takes a fifth more
// water out of them.
const roomDrier = 8

// roomDry says that the room's own air is drier than usual, as it is
// when what conditions it has failed; nil where it is not.
func (e *Engine) roomDry(now sensors.Instant) *alarm.Fact {
	h, ok := e.roomHum(now.Mono)
	hour := e.hour(now)
	if !ok || hour < 0 {
		return nil
	}
	usual, known := e.room.UsualHum.At(hour)
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
func (e *Engine) lampsGone() *alarm.Fact {
	lit, _ := e.litNow()
	if lit < enoughPeers || 2*lit < len(e.encls) {
		return nil
	}
	pic := e.survey(e.now)
	if !pic.Room.HasTemp || pic.Judged < enoughPeers || pic.Median > -lampsAdd {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactLampsGone, Delta: unit.TemperatureDelta(pic.Median)}
}

func (e *Engine) endlessCause(en *enclosure) (Cause, []alarm.Fact) {
	if why := e.lampsGone(); why != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*why}
	}
	n, mates := 0, 0
	for i := range e.encls {
		o := &e.encls[i]
		if o.mist < 0 || en.mist < 0 || e.supplyOf(o.mist) != e.supplyOf(en.mist) {
			continue
		}
		mates++
		if o.slots[alarm.KindMistEndless].rec.Life.Active || o.st.Mist.Soaked() > e.mists[o.mist].cfg.Longest.D() {
			n++
		}
	}
	if n > 1 && 2*n >= mates {
		return Cause{Kind: CauseSupply, ID: e.supplyOf(en.mist)}, []alarm.Fact{{ID: alarm.FactSupplySoaked, Count: n}}
	}
	return Cause{Kind: CauseEnclosure, ID: en.cfg.ID}, nil
}

// silentCause looks whether the others on the same bus are silent too.
func (e *Engine) silentCause(p *probe, now sensors.Instant) (Cause, []alarm.Fact) {
	all, silent, mates, quiet := 0, 0, 0, 0
	for i := range e.probes {
		q := &e.probes[i]
		late := now.Mono-q.st.Heard.Mono > q.silentAfter(&e.cfg.Rules)/2 || q.st.Heard.IsZero()
		all++
		if late {
			silent++
		}
		if q.cfg.Bus == "" || q.cfg.Bus != p.cfg.Bus {
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
		return Cause{Kind: CauseProbe, ID: p.cfg.Bus}, []alarm.Fact{{ID: alarm.FactBusSilent, Count: mates, About: p.cfg.Bus}}
	}
	return Cause{Kind: CauseProbe, ID: p.cfg.ID}, nil
}

// causeHolds is how long a different cause must be seen before it is told.
const causeHolds = 10 * time.Minute

// followCauses tells when an open alarm turns out to have another cause.
func (e *Engine) followCauses(now sensors.Instant) {
	open := false
	for i := range e.encls {
		for k := range e.encls[i].slots {
			s := &e.encls[i].slots[k]
			open = open || s.kind.Row().ByTemperature && s.rec.Life.State.Annunciated()
		}
	}
	if !open {
		return
	}
	pic := e.survey(now)
	for i := range e.encls {
		for k := range e.encls[i].slots {
			s := &e.encls[i].slots[k]
			if s.kind.Row().ByTemperature && s.rec.Life.State.Annunciated() && e.encls[i].now.hasTemp {
				e.followCause(s, &pic, now)
			}
		}
	}
}

func (e *Engine) followCause(s *slot, pic *climate.Picture, now sensors.Instant) {
	en := &e.encls[s.subj]
	cause, why := e.temperatureCause(en, pic, now, s.kind)
	if cause == s.rec.Cause {
		s.rec.Detail.Evidence = why // as it is now
	}
	if s.rec.Life.Seen != alarm.Beyond {
		return // on its way back: nobody needs another theory
	}
	aged := s.rec.Cause.Kind == CauseProbe && cause.Kind == CauseEnclosure && now.Mono-s.rec.Life.Since.Mono < day
	if aged || len(why) == 0 {
		return // only the evidence has gone: nothing else has turned up
	}
	turn := &en.st.Turns[s.kind]
	switch {
	case cause == s.rec.Cause:
		*turn = CauseTurn{}
	case cause != turn.Cause:
		*turn = CauseTurn{Cause: cause, At: now.Mono}
	case now.Mono-turn.At >= causeHolds:
		*turn = CauseTurn{}
		e.update(s, now, whyCause)
	}
}
