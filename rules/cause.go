package rules

import (
	"fmt"
	"strconv"
	"time"

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
	if en.slots[kLethal].rec.Life.State == alarm.OutOfService {
		c.HasTemp = false
	}
	if hour := e.hour(now); hour >= 0 {
		c.Offset, c.HasOffset = en.st.Offset.At(hour)
	}
	c.Change, c.HasChange = en.st.Trend.Change()
	_, c.DoorOpen = en.st.Door.Open()
	if en.now.hasTemp {
		p := &e.probes[en.now.hotProbe]
		c.ProbeDoubt = p.st.Doubtful || p.slot(kDisagrees).rec.Life.Active
	}
	return c
}

// byTemperature are the alarms whose cause the enclosures tell together.
func byTemperature(k kind) bool {
	return k == kLethal || k == kAhead || k == kExposure || k == kAbove || k == kBelow
}

// causeOf finds what is at fault for an alarm, with the numbers behind it.
func (e *Engine) causeOf(s *slot, now sensors.Instant) (Cause, []string) {
	switch {
	case byTemperature(s.kind):
		pic := e.survey(now)
		return e.temperatureCause(&e.encls[s.subj], &pic, now)
	case s.kind == kFloor:
		return e.dryCause(&e.encls[s.subj], now)
	case s.kind == kDoorAjar:
		return Cause{CauseDoor, s.rec.Key.Subject}, nil
	case s.kind == kMistMissing, s.kind == kMistWeak, s.kind == kLampStuck:
		return s.rec.Cause, nil // set where it was judged
	case s.kind == kMistEndless:
		return e.endlessCause(&e.encls[s.subj])
	case s.kind == kSilent:
		return e.silentCause(&e.probes[s.subj], now)
	case int(s.kind) >= enclosureKinds && s.kind < kDelivery:
		return Cause{CauseProbe, s.rec.Key.Subject}, nil
	case s.kind >= kDelivery:
		return Cause{Kind: CauseDewline}, nil
	default:
		return Cause{CauseEnclosure, s.rec.Key.Subject}, nil
	}
}

func (e *Engine) temperatureCause(en *enclosure, pic *climate.Picture, now sensors.Instant) (Cause, []string) {
	f := pic.CauseOf(e.caseOf(en, now))
	own := Cause{CauseEnclosure, en.cfg.ID}
	var evidence []string
	if f.Judged > 1 && f.Moving > 0 {
		evidence = append(evidence, fmt.Sprintf("%d of %d enclosures moved the same way by more than 1 °C in 30 min", f.Moving, f.Judged))
	}
	switch f.Kind {
	case climate.RoomCause:
		if f.RoomOff != 0 {
			evidence = append(evidence, fmt.Sprintf("the room is %+.1f °C off its usual at this hour", f.RoomOff))
		}
		return Cause{Kind: CauseRoom}, evidence
	case climate.ShelfCause:
		return Cause{CauseShelf, shelfName(en.cfg.Rack, en.cfg.Shelf)}, append(evidence,
			"the shelf is away from the others by itself")
	case climate.LampsCause:
		return Cause{CauseLamps, en.cfg.Lamps}, append(evidence, "all run warm or cool while the room is as usual")
	case climate.DoorCause:
		return Cause{CauseDoor, en.cfg.ID}, append(evidence, "its door is open or ajar")
	case climate.ProbeCause:
		return Cause{CauseProbe, e.probes[en.now.hotProbe].cfg.ID}, append(evidence, "its probe is doubted")
	case climate.EnclosureCause:
		if f.Judged > 1 {
			evidence = append(evidence, fmt.Sprintf("it is %+.1f °C against its usual place, the others %+.1f °C", f.Residual, f.Median))
		}
		return own, evidence
	}
	return own, evidence
}

// dryCause says what dries an enclosure out.
func (e *Engine) dryCause(en *enclosure, now sensors.Instant) (Cause, []string) {
	if _, open := en.st.Door.Open(); open {
		return Cause{CauseDoor, en.cfg.ID}, []string{"its door is open or ajar"}
	}
	if s := &en.slots[kMistMissing]; s.rec.Life.Active {
		return s.rec.Cause, []string{fmt.Sprintf("%d scheduled mists in a row brought no pulse", en.st.Missed)}
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
	if judged >= 3 && 10*dry >= 7*judged {
		return Cause{Kind: CauseRoom}, []string{fmt.Sprintf("%d of %d enclosures are at their floor", dry, judged)}
	}
	return Cause{CauseEnclosure, en.cfg.ID}, nil
}

func (e *Engine) endlessCause(en *enclosure) (Cause, []string) {
	n := 0
	for i := range e.encls {
		o := &e.encls[i]
		if o.mist >= 0 && en.mist >= 0 && e.supplyOf(o.mist) == e.supplyOf(en.mist) && o.slots[kMistEndless].rec.Life.Active {
			n++
		}
	}
	if n > 1 {
		return Cause{CauseSupply, e.supplyOf(en.mist)}, []string{fmt.Sprintf("%d enclosures on this supply are soaked", n)}
	}
	return Cause{CauseEnclosure, en.cfg.ID}, nil
}

// silentCause looks whether the others on the same bus are silent too.
func (e *Engine) silentCause(p *probe, now sensors.Instant) (Cause, []string) {
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
		return Cause{Kind: CauseDewline}, []string{fmt.Sprintf("all %d probes are silent", all)}
	case mates > 1 && quiet == mates:
		return Cause{CauseProbe, p.cfg.Bus}, []string{fmt.Sprintf("all %d probes on %s are silent", mates, p.cfg.Bus)}
	}
	return Cause{CauseProbe, p.cfg.ID}, nil
}

// causeHolds is how long a different cause must be seen before it is told.
const causeHolds = 10 * time.Minute

// followCauses tells when an open alarm turns out to have another cause.
func (e *Engine) followCauses(now sensors.Instant) {
	open := false
	for i := range e.encls {
		for k := range e.encls[i].slots {
			s := &e.encls[i].slots[k]
			open = open || byTemperature(s.kind) && s.rec.Life.State.Annunciated()
		}
	}
	if !open {
		return
	}
	pic := e.survey(now)
	for i := range e.encls {
		en := &e.encls[i]
		if en.now.hasTemp {
			cause, _ := e.temperatureCause(en, &pic, now)
			e.followCause(en, cause, now)
		}
	}
}

func (e *Engine) followCause(en *enclosure, cause Cause, now sensors.Instant) {
	if cause != en.st.CauseNew {
		en.st.CauseNew, en.st.CauseAt = cause, now.Mono
		return
	}
	if now.Mono-en.st.CauseAt < causeHolds {
		return
	}
	for k := range en.slots {
		s := &en.slots[k]
		if byTemperature(s.kind) && s.rec.Life.State.Annunciated() && s.rec.Cause != cause {
			e.update(s, now, whyCause)
		}
	}
}
