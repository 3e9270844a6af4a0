// Package cause finds what is at fault where several enclosures can tell
// together: the room, a shelf, the lamps or the power, one enclosure, its probe
// or its door. It asks the View and remembers nothing.
package cause

import (
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// A Look finds what is at fault in the room V.
type Look struct{ V *room.View }

// ByTemperature finds what the enclosures' temperatures together say.
func (cs Look) ByTemperature(a *room.Alarm, now sensors.Instant) (alarm.Cause, []alarm.Fact) {
	pic := cs.V.Survey(now)
	return cs.Temperature(&cs.V.Enclosures[a.Index], pic, now, a.Kind)
}

// Facts is evidence of facts without quantities.
func Facts(ids ...alarm.FactID) (list []alarm.Fact) {
	for _, id := range ids {
		list = append(list, alarm.Fact{ID: id})
	}
	return list
}

func (cs Look) doubtFact(p *room.Probe, now sensors.Instant) alarm.Fact {
	switch {
	case p.St.Swap.With != "":
		return alarm.Fact{ID: alarm.FactSwappedWith, About: p.St.Swap.With}
	case p.Leapt(now.Mono):
		return cs.V.Ago(alarm.Fact{ID: alarm.FactLeapt, Delta: unit.TemperatureDelta(p.St.Leap.Celsius())}, now, now.Mono-p.St.LeapAt)
	case p.Stands(now.Mono):
		return cs.V.Ago(alarm.Fact{ID: alarm.FactStands}, now, now.Mono-p.St.StillAt)
	case p.Apart():
		return alarm.Fact{ID: alarm.FactDisagrees}
	default:
		return alarm.Fact{ID: alarm.FactDoubted}
	}
}

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
	shelfFar     = 2.5 // °C between a shelf and the rest where usual places are not known
	allOff       = 0.8 // °C that all are away from their usual places together
	enoughPeers  = 3
)

func sideOf(k alarm.Kind) float64 {
	if k == alarm.KindBelow {
		return colder
	}
	return hotter
}

// Temperature says what makes an enclosure too warm or too cold, with the
// numbers behind it. A probe that is doubted comes first, but not where it merely
// disagrees with another and says that it is hot, or what many share: that is
// believed, and the doubt told beside it.
func (cs Look) Temperature(en *room.Enclosure, pic *climate.Picture, now sensors.Instant, k alarm.Kind) (alarm.Cause, []alarm.Fact) {
	side := sideOf(k)
	// Without the mains nothing warms it, and nothing that warms it is stuck.
	if away := cs.V.MainsAway(en); away != nil && side < 0 {
		return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{*away}
	}
	if en.Alarms[alarm.KindLampStuck].Rec.Life.Active {
		if cause, why := cs.stuckLamps(en, pic, side); why != nil {
			return cause, why
		}
	}
	if p := cs.V.Doubtful(en, now, side); p != nil {
		return cs.doubted(en, p, pic, now, k)
	}
	return cs.inDoubt(en, pic, now, k)
}

// doubted is Temperature for an enclosure of which a probe is doubted.
func (cs Look) doubted(en *room.Enclosure, p *room.Probe, pic *climate.Picture, now sensors.Instant, k alarm.Kind) (alarm.Cause, []alarm.Fact) {
	side, doubt := sideOf(k), cs.doubtFact(p, now)
	probe := alarm.Cause{Kind: alarm.CauseProbe, ID: p.Cfg.ID}
	beside := side > 0 && seenBeside(en, p)
	if !beside && (p.St.Doubtful || p.Leapt(now.Mono) || p.Stands(now.Mono)) {
		return probe, []alarm.Fact{doubt}
	}
	cause, why := cs.inDoubt(en, pic, now, k)
	alone := cause.Kind == alarm.CauseEnclosure || cause.Kind == alarm.CauseProbe
	if alone && !beside && (side < 0 || en.Now.HasTemp && en.Now.Hot < en.Limits.Warn) {
		return probe, []alarm.Fact{doubt}
	}
	return cause, append(why, doubt)
}

// seenBeside reports whether a probe that nobody doubts tells the heat: one that is doubted
// does not make it by what it says itself.
func seenBeside(en *room.Enclosure, p *room.Probe) bool {
	says := p.St.Temp
	if p.St.Doubtful {
		says = p.St.Doubt
	}
	return en.Now.HasTemp && en.Now.HotProbe != p.Index && (en.Now.Hot > int32(says) || en.Now.Hot >= en.Limits.Warn)
}

// stuckLamps is for an enclosure whose lamps are told to be stuck: them, or with what
// warms or cools the room the power. It says nothing of heat under dark lamps that the
// room does not explain, nor of cold under such that burn.
func (cs Look) stuckLamps(en *room.Enclosure, pic *climate.Picture, side float64) (alarm.Cause, []alarm.Fact) {
	dark := en.St.Lamps.Fault.Dark()
	if why := cs.roomExplains(en, pic, side); dark && why != nil {
		return alarm.Cause{Kind: alarm.CausePower}, append(Facts(alarm.FactLampsDark), *why)
	}
	if dark != (side < 0) {
		return alarm.Cause{}, nil
	}
	cause, why := en.Alarms[alarm.KindLampStuck].Rec.Cause, Facts(alarm.FactLampsDark)
	if doubt := cs.TimerOrPower(en); cause.Kind == alarm.CauseLamps && doubt != nil {
		why = append(why, *doubt)
	}
	return cause, why
}

// inDoubt is byPlace with the doubt that it may be the power, where it is the room that
// cools, or all lamps of the only timer that are missed.
func (cs Look) inDoubt(en *room.Enclosure, pic *climate.Picture, now sensors.Instant, k alarm.Kind) (alarm.Cause, []alarm.Fact) {
	cause, why := cs.byPlace(en, pic, now, k)
	if sideOf(k) > 0 || len(why) == 0 || cause.Kind != alarm.CauseRoom && cause.Kind != alarm.CauseLamps {
		return cause, why
	}
	if cs.noneMists() {
		return alarm.Cause{Kind: alarm.CausePower}, why
	}
	if doubt := cs.roomOrPower(en, pic, now); doubt != nil {
		why = append(why, *doubt)
	}
	return cause, why
}

// byPlace finds a shelf or one enclosure that is away from its usual place on that
// side and further than the rest, then the room, then what all enclosures have in
// common.
func (cs Look) byPlace(en *room.Enclosure, pic *climate.Picture, now sensors.Instant, k alarm.Kind) (alarm.Cause, []alarm.Fact) {
	side := sideOf(k)
	c := cs.V.CaseOf(en, now)
	c.ProbeDoubt = false
	f := pic.CauseOf(c)
	byRoom := cs.roomExplains(en, pic, side)
	switch {
	case shelfOdd(&c, &f, side):
		return alarm.Cause{Kind: alarm.CauseShelf, ID: room.ShelfName(en.Cfg.Rack, en.Cfg.Shelf)}, []alarm.Fact{apart(alarm.FactShelfApart, side, f.ShelfBy)}
	case odd(pic, &c, &f, side, byRoom != nil):
		return cs.oddCause(en, &c, &f, k)
	case byRoom != nil:
		gone := cs.lampsGone(pic, now)
		if gone == nil {
			gone = cs.lampsGo()
		}
		if side < 0 && gone != nil {
			return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{*byRoom, *gone}
		}
		return alarm.Cause{Kind: alarm.CauseRoom}, append([]alarm.Fact{*byRoom}, together(pic, side)...)
	case c.DoorOpen:
		return alarm.Cause{Kind: alarm.CauseDoor, ID: en.Cfg.ID}, Facts(alarm.FactDoorOpen)
	}
	if cause, why := cs.sharedCause(en, pic, &c, &f, side); len(why) > 0 || side > 0 {
		return cause, why
	}
	if dry := cs.roomDry(now); dry != nil {
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{*dry, {ID: alarm.FactDryCools}}
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, nil
}

// oddCause is for an enclosure that is what is different: itself, or its only probe
// where that says that it is cold and contradicts itself. Heat is believed, and the
// doubt told beside it.
func (cs Look) oddCause(en *room.Enclosure, c *climate.Case, f *climate.Finding, k alarm.Kind) (alarm.Cause, []alarm.Fact) {
	side := sideOf(k)
	why := oddEvidence(c, f, side)
	if _, ok := cs.V.RoomTemp(cs.V.Latest.Mono); !ok && len(why) > 0 && why[0].ID == alarm.FactOwn {
		why[0].ID = alarm.FactOwnDays
	}
	if c.HasOffset && (k == alarm.KindAbove || k == alarm.KindBelow) && mild(en) {
		doubt := moistApart(&en.St.Moist, side)
		switch {
		case doubt != nil && side < 0:
			return alarm.Cause{Kind: alarm.CauseProbe, ID: cs.V.Probes[en.Probes[0]].Cfg.ID}, []alarm.Fact{*doubt}
		case doubt != nil:
			why = append(why, *doubt)
		}
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, why
}

// sharedCause looks for what the enclosure may have in common with the others.
func (cs Look) sharedCause(en *room.Enclosure, pic *climate.Picture, c *climate.Case, f *climate.Finding, side float64) (alarm.Cause, []alarm.Fact) {
	peers := f.Judged >= enoughPeers
	if c.HasOffset && peers {
		if cause, why := cs.allApart(en, pic, f, side); why != nil {
			return cause, why
		}
	}
	switch room := side * f.RoomOff; {
	case peers && 2*past(pic, side) >= f.Judged && !cs.justSwitched(en):
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{{ID: alarm.FactPastBands, Count: past(pic, side), Of: f.Judged}}
	case c.HasOffset && room >= max(roomMore, side*f.Residual):
		why := apart(alarm.FactRoomMore, side, room)
		why.Temperature = unit.Temperature(pic.Room.Temp)
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{why}
	}
	return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}, nil
}

// allApart is for an enclosure of which it is known what is usual, among others that are
// away from that too; no fact where they are not.
func (cs Look) allApart(en *room.Enclosure, pic *climate.Picture, f *climate.Finding, side float64) (alarm.Cause, []alarm.Fact) {
	all, room := side*f.Median, side*f.RoomOff
	switch {
	case !pic.Room.HasTemp && all > roomMore && (all > allOff || 2*all >= side*f.Residual):
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{apart(alarm.FactAllAlike, side, all)}
	case all > allOff && pic.Room.HasTemp:
		return cs.commonCause(en, f, side)
	case min(all, room) > 0 && all+room > allOff:
		why := apart(alarm.FactRoomAndAll, side, room)
		why.Others = unit.TemperatureDelta(all)
		return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{why}
	}
	return alarm.Cause{}, nil
}

// commonCause is for all enclosures away from their usual places in a room
// that is as usual: the lamps, or the power where they hang on several timers. Lamps
// that should be on do not make it too warm, and such that were seen to switch are
// not at fault: then it is heat or cold of hours ago, as in the evening after an air
// conditioner failed.
func (cs Look) commonCause(en *room.Enclosure, f *climate.Finding, side float64) (alarm.Cause, []alarm.Fact) {
	lamps := cs.V.LampsOf(en)
	may := lamps != nil && lamps.On == (side < 0) && !cs.lampsSwitched(en.Lamps)
	switch {
	case may && !cs.manyLamps():
		return alarm.Cause{Kind: alarm.CauseLamps, ID: en.Cfg.Lamps}, []alarm.Fact{apart(alarm.FactAllApart, side, f.Median)}
	case may && side < 0:
		return alarm.Cause{Kind: alarm.CausePower}, []alarm.Fact{apart(alarm.FactAllPower, side, f.Median)}
	}
	return alarm.Cause{Kind: alarm.CauseRoom}, []alarm.Fact{apart(alarm.FactAllApart, side, f.Median)}
}

// apart is a fact of by how much something is warmer or cooler.
func apart(id alarm.FactID, side, by float64) alarm.Fact {
	return alarm.Fact{ID: id, Delta: unit.TemperatureDelta(by), Cooler: side < 0}
}

// odd reports whether the enclosure itself is what is different. One that is
// not even on that side of its usual place never is.
func odd(pic *climate.Picture, c *climate.Case, f *climate.Finding, side float64, room bool) bool {
	apart, own := side*(f.Residual-f.Median), side*f.Residual
	switch {
	case f.Judged < enoughPeers:
		return c.HasOffset && own > oddApart && own > side*f.RoomOff && !room
	case c.HasOffset:
		// In a room that is further off itself, others merely lag behind it.
		return own > oddApart/2 && apart > max(oddApart, oddScale*f.Scale, side*f.Median) && (!room || own > side*f.RoomOff)
	case c.HasChange && side*(c.Change-pic.MiddleChange()) > moveApart:
		return apart > moveApart || !room // in a room that rises they are looked at one after the other
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
	if !f.ShelfOff {
		return false
	}
	limit := shelfFar
	if c.HasOffset { // where all are off, one that is so first is not what is at fault
		limit = max(0, side*f.Median)
	}
	return side*f.ShelfBy > limit && (!c.HasOffset || side*f.Residual > oddApart/2)
}

// roomExplains says why the room itself is enough to explain this side, nil
// where it is not. On the first days nothing is known of what is
// usual: then the room's own rise, or its standing above any band, is enough.
func (cs Look) roomExplains(en *room.Enclosure, pic *climate.Picture, side float64) *alarm.Fact {
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

// RoomWarm says why the room itself is enough to make an enclosure too warm, nil where it
// is not.
func (cs Look) RoomWarm(en *room.Enclosure) *alarm.Fact {
	return cs.roomExplains(en, cs.V.Survey(cs.V.Latest), hotter)
}

// moversExplain is roomExplains without a room probe.
func (cs Look) moversExplain(en *room.Enclosure, pic *climate.Picture, side float64) *alarm.Fact {
	n, all := movers(pic, side), pic.Changed
	if all >= enoughPeers && float64(n) >= mostMove*float64(all) && !cs.justSwitched(en) {
		return &alarm.Fact{ID: alarm.FactMovedAlike, Count: n, Of: all}
	}
	return nil
}

// firstDaysExplain is roomExplains while nothing is known of what is usual.
func (cs Look) firstDaysExplain(en *room.Enclosure, r *climate.RoomCase, side float64) *alarm.Fact {
	if t, ok := en.St.Thermal.RoomBefore(cs.V.EstAt(cs.V.Latest.Mono), roomSpan); ok && side*(r.Temp-t) >= roomClimb {
		why := apart(alarm.FactRoomClimbed, side, r.Temp-t)
		why.For = roomSpan
		return roomIs(r, why)
	}
	low, high := min(en.Limits.DayLow, en.Limits.NightLow), max(en.Limits.DayHigh, en.Limits.NightHigh)
	moved := side * r.Change
	switch {
	case side > 0 && r.Temp*100 >= float64(high), side < 0 && r.Temp*100 <= float64(low):
		return roomIs(r, apart(alarm.FactRoomOutside, side, 0))
	case r.HasChange && moved >= roomMoves && !cs.justSwitched(en):
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

// past is how many enclosures are past their band on that side.
func past(pic *climate.Picture, side float64) int {
	if side < 0 {
		return pic.Below
	}
	return pic.Above
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

// mild reports whether no animal would be in danger, were the temperature true.
// Beyond that a probe that contradicts itself is no comfort.
func mild(en *room.Enclosure) bool {
	return en.Now.HasTemp && en.Now.Hot < en.Limits.Warn && en.Now.Cold > en.Limits.Cold
}

// apart says that the humidity did not follow the temperature to
// that side, nil where it did.
func moistApart(m *room.Moist, side float64) *alarm.Fact {
	if m.Apart == 0 || side*m.Rise <= 0 {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactMoistApart, Delta: unit.TemperatureDelta(m.Rise)}
}

// justSwitched reports whether the lamps switched less than an hour ago.
func (cs Look) justSwitched(en *room.Enclosure) bool {
	return en.Lamps >= 0 && cs.V.Lamps[en.Lamps].Known && cs.V.Lamps[en.Lamps].Edge < time.Hour
}

// roomDry says that the room's own air is drier than usual, as it is
// when what conditions it has failed; nil where it is not.
func (cs Look) roomDry(now sensors.Instant) *alarm.Fact {
	h, ok := cs.V.RoomHum(now.Mono)
	hour := cs.V.Hour(now)
	if !ok || hour < 0 {
		return nil
	}
	usual, known := cs.V.Air.UsualHum.At(hour)
	if is := float64(h) / 100; known && usual-is >= roomDrier {
		return &alarm.Fact{ID: alarm.FactRoomDry, Percent: is, Usual: usual}
	}
	return nil
}

// roomDrier in %RH is by how much drier than usual at this hour a room has to be
// to dry its enclosures out: a room at 33 % instead of 45 % takes a fifth more
// water out of them.
const roomDrier = 8
