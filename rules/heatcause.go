package rules

import (
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// The side of the band that a cause has to explain, as a sign.
const (
	hotter = 1.0
	colder = -1.0
)

// How much of the room it takes to explain an enclosure's temperature. The
// first figures hold where the room's usual temperature at this hour is known,
// the others on the first days.
const (
	roomOff      = 1.0 // °C from usual
	roomOffMoves = 0.4 // °C from usual while it goes on in that direction
	roomMore     = 0.3 // °C from usual, where the enclosure adds less of its own
	roomMoves    = 0.5 // °C in 30 min
	roomClimb    = 1.5 // °C in roomSpan
	roomSpan     = 3 * time.Hour
	mostMove     = 0.7 // of the enclosures
	moveApart    = 0.6 // °C in 30 min by which one outruns its peers
	farApart     = 3.0 // °C from peers where nobody's usual place is known
	oddApart     = 0.8 // °C from peers in their usual places
	oddScale     = 4.0 // robust standard deviations
	shelfApart   = 1.0 // °C between a shelf and the rest
	shelfFar     = 2.5 // the same where usual places are not known
	allOff       = 0.8 // °C that all are away from their usual places together
	enoughPeers  = 3
)

func sideOf(k alarm.Kind) float64 {
	if k == alarm.KindBelow {
		return colder
	}
	return hotter
}

// temperatureCause says what makes an enclosure too warm or too cold, with the
// numbers behind it. A probe that is doubted comes first, then a shelf or one
// enclosure that is away from its usual place on that side and further than the
// rest, then the room, then what all enclosures have in common.
func (cs causes) temperatureCause(en *room.Enclosure, pic *climate.Picture, now sensors.Instant, k alarm.Kind) (Cause, []alarm.Fact) {
	side := sideOf(k)
	if s := &en.Alarms[alarm.KindLampStuck]; s.Rec.Life.Active {
		return s.Rec.Cause, Facts(alarm.FactLampsDark)
	}
	if p := cs.v.Doubtful(en, now, side); p != nil {
		return Cause{Kind: CauseProbe, ID: p.Cfg.ID}, []alarm.Fact{cs.doubtFact(p, now)}
	}
	c := cs.v.CaseOf(en, now)
	f := pic.CauseOf(c)
	byRoom := cs.roomExplains(en, pic, side)
	switch {
	case shelfOdd(&c, &f, side):
		return Cause{Kind: CauseShelf, ID: room.ShelfName(en.Cfg.Rack, en.Cfg.Shelf)}, []alarm.Fact{apart(alarm.FactShelfApart, side, f.ShelfBy)}
	case cs.odd(&c, &f, side, byRoom != nil):
		return cs.oddCause(en, &c, &f, k)
	case byRoom != nil:
		return Cause{Kind: CauseRoom}, append([]alarm.Fact{*byRoom}, together(pic, side)...)
	case c.DoorOpen:
		return Cause{Kind: CauseDoor, ID: en.Cfg.ID}, Facts(alarm.FactDoorOpen)
	}
	if cause, why := cs.sharedCause(en, &c, &f, pic.Room.Temp, side); len(why) > 0 || side > 0 {
		return cause, why
	}
	if dry := cs.roomDry(now); dry != nil {
		return Cause{Kind: CauseRoom}, []alarm.Fact{*dry, {ID: alarm.FactDryCools}}
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, nil
}

// oddCause is for an enclosure that is what is different: itself, or its only
// probe where that contradicts itself.
func (cs causes) oddCause(en *room.Enclosure, c *climate.Case, f *climate.Finding, k alarm.Kind) (Cause, []alarm.Fact) {
	side := sideOf(k)
	if c.HasOffset && (k == alarm.KindAbove || k == alarm.KindBelow) && mild(en) {
		if why := moistApart(&en.St.Moist, side); why != nil {
			return Cause{Kind: CauseProbe, ID: cs.v.Probes[en.Probes[0]].Cfg.ID}, []alarm.Fact{*why}
		}
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, oddEvidence(c, f, side)
}

// sharedCause looks for what the enclosure may have in common with the others.
func (cs causes) sharedCause(en *room.Enclosure, c *climate.Case, f *climate.Finding, roomTemp, side float64) (Cause, []alarm.Fact) {
	known, peers := c.HasOffset && f.Judged >= enoughPeers, f.Judged >= enoughPeers
	all, room := side*f.Median, side*f.RoomOff
	switch {
	case known && all > allOff:
		return cs.commonCause(en, f, side)
	case known && min(all, room) > 0 && all+room > allOff:
		why := apart(alarm.FactRoomAndAll, side, room)
		why.Others = unit.TemperatureDelta(all)
		return Cause{Kind: CauseRoom}, []alarm.Fact{why}
	case peers && 2*cs.beyondBand(side) >= f.Judged && !cs.v.JustSwitched(en):
		return Cause{Kind: CauseRoom}, []alarm.Fact{{ID: alarm.FactPastBands, Count: cs.beyondBand(side), Of: f.Judged}}
	case c.HasOffset && room >= max(roomMore, side*f.Residual):
		why := apart(alarm.FactRoomMore, side, room)
		why.Temperature = unit.Temperature(roomTemp)
		return Cause{Kind: CauseRoom}, []alarm.Fact{why}
	}
	return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}, nil
}

// commonCause is for all enclosures away from their usual places in a room
// that is as usual: the lamps, or the power and the air where they hang on
// several timers.
func (cs causes) commonCause(en *room.Enclosure, f *climate.Finding, side float64) (Cause, []alarm.Fact) {
	if en.Lamps < 0 || cs.manyLamps() {
		return Cause{Kind: CauseRoom}, []alarm.Fact{apart(alarm.FactAllPower, side, f.Median)}
	}
	return Cause{Kind: CauseLamps, ID: en.Cfg.Lamps}, []alarm.Fact{apart(alarm.FactAllApart, side, f.Median)}
}

// apart is a fact of by how much something is warmer or cooler.
func apart(id alarm.FactID, side, by float64) alarm.Fact {
	return alarm.Fact{ID: id, Delta: unit.TemperatureDelta(by), Cooler: side < 0}
}

// odd reports whether the enclosure itself is what is different. One that is
// not even on that side of its usual place never is.
func (cs causes) odd(c *climate.Case, f *climate.Finding, side float64, room bool) bool {
	apart, own := side*(f.Residual-f.Median), side*f.Residual
	switch {
	case f.Judged < enoughPeers:
		return c.HasOffset && own > oddApart && own > side*f.RoomOff && !room
	case c.HasOffset:
		return own > oddApart/2 && apart > max(oddApart, oddScale*f.Scale, side*f.Median)
	case c.HasChange && side*(c.Change-cs.v.MiddleChange()) > moveApart:
		return apart > 0 || !room
	default:
		return apart > max(farApart, oddScale*f.Scale)
	}
}

func oddEvidence(c *climate.Case, f *climate.Finding, side float64) []alarm.Fact {
	switch {
	case f.Judged < 2:
		return nil
	case c.HasOffset:
		why := apart(alarm.FactOwn, side, f.Residual)
		why.Others = unit.TemperatureDelta(max(0, side*f.Median))
		return []alarm.Fact{why}
	default:
		return Facts(alarm.FactAlone)
	}
}

func shelfOdd(c *climate.Case, f *climate.Finding, side float64) bool {
	if f.Kind != climate.ShelfCause {
		return false
	}
	limit := shelfFar
	if c.HasOffset {
		limit = shelfApart
	}
	return side*f.ShelfBy > limit
}

// roomExplains says why the room itself is enough to explain this side, nil
// where it is not. On the first days nothing is known of what is
// usual: then the room's own rise, or its standing above any band, is enough.
func (cs causes) roomExplains(en *room.Enclosure, pic *climate.Picture, side float64) *alarm.Fact {
	r := &pic.Room
	switch {
	case !r.HasTemp:
		return cs.moversExplain(en, pic, side)
	case r.HasUsual:
		off := side * (r.Temp - r.Usual)
		if off >= roomOff || off >= roomOffMoves && r.HasChange && side*r.Change >= roomMoves {
			return roomIs(r, apart(alarm.FactRoomUnusual, side, off))
		}
		return nil
	}
	return cs.firstDaysExplain(en, r, side)
}

// moversExplain is roomExplains without a room probe.
func (cs causes) moversExplain(en *room.Enclosure, pic *climate.Picture, side float64) *alarm.Fact {
	n, all := movers(pic, side), pic.Changed
	if all >= enoughPeers && float64(n) >= mostMove*float64(all) && !cs.v.JustSwitched(en) {
		return &alarm.Fact{ID: alarm.FactMovedAlike, Count: n, Of: all}
	}
	return nil
}

// firstDaysExplain is roomExplains while nothing is known of what is usual.
func (cs causes) firstDaysExplain(en *room.Enclosure, r *climate.RoomCase, side float64) *alarm.Fact {
	if t, ok := en.St.Thermal.RoomBefore(cs.v.EstAt(cs.v.Latest.Mono), roomSpan); ok && side*(r.Temp-t) >= roomClimb {
		why := apart(alarm.FactRoomClimbed, side, r.Temp-t)
		why.For = roomSpan
		return roomIs(r, why)
	}
	low, high := min(en.Limits.DayLow, en.Limits.NightLow), max(en.Limits.DayHigh, en.Limits.NightHigh)
	moved := side * r.Change
	switch {
	case side > 0 && r.Temp*100 >= float64(high), side < 0 && r.Temp*100 <= float64(low):
		return roomIs(r, apart(alarm.FactRoomOutside, side, 0))
	case r.HasChange && moved >= roomMoves && !cs.v.JustSwitched(en):
		return roomIs(r, apart(alarm.FactRoomMoved, side, moved))
	}
	return nil
}

// roomIs adds how warm the room is.
func roomIs(r *climate.RoomCase, why alarm.Fact) *alarm.Fact {
	why.Temperature = unit.Temperature(r.Temp)
	return &why
}

// movers is how many enclosures moved to that side by more than 1 °C in 30 min.
func movers(pic *climate.Picture, side float64) int {
	if side < 0 {
		return pic.Down
	}
	return pic.Up
}

// movesBy is what climate.Picture counts as a move in half an hour.
const movesBy unit.TemperatureDelta = 1

// together says how many move with the room.
func together(pic *climate.Picture, side float64) []alarm.Fact {
	if n := movers(pic, side); n > 1 {
		return []alarm.Fact{{ID: alarm.FactTogether, Count: n, Of: pic.Judged, Delta: movesBy}}
	}
	return nil
}

// beyondBand counts the enclosures that are past their band on that side.
func (cs causes) beyondBand(side float64) int {
	n := 0
	for i := range cs.v.Enclosures {
		en := &cs.v.Enclosures[i]
		if !en.Now.HasTemp || en.Alarms[alarm.KindLethal].Rec.Life.State == alarm.OutOfService {
			continue
		}
		low, high, _ := cs.v.Band(en)
		if side > 0 && en.Now.Main > high || side < 0 && en.Now.Main < low {
			n++
		}
	}
	return n
}
