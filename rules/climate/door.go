package climate

import (
	"errors"
	"math"
	"time"
)

// A DoorEvent is what a reading told about the door.
type DoorEvent uint8

// The events of a door.
const (
	DoorQuiet     DoorEvent = iota
	DoorOpened              // a step toward the room's climate
	DoorRecovered           // half of it came back in time: a normal opening
	DoorAjar                // it did not come back
	DoorShut                // after DoorAjar: it has come back
	DoorDraught             // it did not come back, but is too little for a door: a vent, a fan, a leak
	DoorForgotten           // after DoorOpened or DoorAjar: it never came back, and is as things are now
)

// A DoorReading is one step of a Door.
type DoorReading struct {
	At        time.Duration
	Temp      float64 // °C in the enclosure
	RH        float64 // % in the enclosure
	RoomTemp  float64
	HasRoom   bool
	RoomRH    float64
	HasRoomRH bool
	// Disturbed: lamps switched within 30 min or a mist pulse runs or dries,
	// so that humidity alone proves nothing; temperature must move as well.
	Disturbed bool
	Grain     float64 // °C, the coarser step of the temperatures' figures; 0 for not known

	since time.Duration // the reading before
}

// The figures of the door's judge, where nothing else is said this project's own, tuned
// on the tuned half of rules/corpus. FalseDoors is how many wrong tellings in 100
// tank-days they are meant for.
const (
	FalseDoors   = 0.5
	doorBin      = 30 * time.Second
	doorBins     = 24  // 12 min
	doorBoth     = 2.6 // points times °C: what a slower fall and cooling tell together
	doorFrom     = time.Minute
	doorTo       = 8 * time.Minute
	doorSlowFrom = 5 * time.Minute // of a fall behind a slow probe
	doorSlowTo   = 12 * time.Minute
	doorPolls    = 3 // that come so rarely reach back as many
	doorGap      = 15 * time.Minute
	doorFall     = 8.0            // points below the level before
	doorCold     = 0.7            // °C toward the room where humidity is disturbed; colder at all of wet leaves
	doorNear     = 0.12           // of the way to the room's absolute humidity, at least
	doorForget   = 12 * time.Hour // a level that never comes back is a new level
	doorShutHalf = 0.5
	// A door that stands ajar by 25 air changes an hour and more brings an enclosure
	// 0.38 to 0.70 of the way to the room's water within ten minutes, and 0.07 to
	// 0.31 of the way to its temperature, together 0.6 and more; a vent or a leak
	// brings it 0.33 to 0.45 and up to 0.14, together up to 0.5: in three kinds of
	// simulated rooms.
	doorAir   = 0.57 // of the ways to the room's water and temperature, together
	doorMoved = 0.03 // of the way to its temperature: a fan inside dries alone
	doorWater = 0.6  // of the way to its water, where both are as warm
	doorGapC  = 0.8  // °C of way that is needed to tell
	doorSteps = 6.0  // steps of the figures of way, of which a door brings it one: 0.17
	doorBlind = 15.0 // points, without a probe in the room
	doorStirs = 0.3  // °C at least, where the room is not known
	// A door that was shut again lets the air recover.
	doorLow   = 0.08 // of the fall that has come back, after DoorWait
	doorStays = 0.2  // and after doorLast
	doorLast  = 15 * time.Minute
	// Behind a slow probe the fall goes on after a door is shut, and turns as slowly. How
	// long it takes is learned from what came back.
	doorSlow  = 3               // times the way down are waited
	doorQuick = 3 * time.Minute // down is no slow probe
	doorShort = 45 * time.Minute
	// While it rises from its lowest by so much of the fall a minute it is on its way
	// back: slow air has half of it back within 35 min.
	doorRises  = 0.015
	doorLatest = 30 * time.Minute
)

// DoorWait is the time from the step to ajar: a short look is 2 to 5 min, and
// half of it is back within 5 more. It is shorter than the floor's on-delay, so
// that the door is judged first. Air that still fell meanwhile is given the same time
// from when it had gone as far as it goes.
const DoorWait = 9 * time.Minute

// doorMark is the mean of half a minute.
type doorMark struct {
	At   time.Duration `json:"at"`
	RH   float64       `json:"rh"`
	Temp float64       `json:"temp"`
}

// openMark is one that is not over, as sums.
type openMark struct {
	doorMark
	Count int `json:"count"`
}

// Door tells an opened door from a door left ajar. The zero value is ready.
type Door struct {
	Head    int                `json:"head"`
	Filled  int                `json:"filled"`
	Mark    openMark           `json:"mark"`
	LastAt  time.Duration      `json:"last_at"`
	State   DoorEvent          `json:"state"` // DoorQuiet, DoorOpened or DoorAjar
	Started bool               `json:"started"`
	Opened  time.Duration      `json:"opened"`
	Level   float64            `json:"level"` // % before
	Warm    float64            `json:"warm"`  // °C before
	Lowest  float64            `json:"lowest"`
	LowAt   time.Duration      `json:"low_at"`
	DeepAt  time.Duration      `json:"deep_at,omitempty"` // it fell on until then
	Deep    float64            `json:"deep,omitempty"`    // % there
	Wide    bool               `json:"wide,omitempty"`    // as much came in as by a door
	Took    time.Duration      `json:"took,omitempty"`    // the way down of those that were shut
	Ring    [doorBins]doorMark `json:"ring"`

	top float64 // of highest; 0: not looked for yet
}

// Observe takes one good reading.
func (d *Door) Observe(r DoorReading) DoorEvent {
	if !moist(r.Temp, r.RH) || d.Started && r.At <= d.LastAt {
		return DoorQuiet
	}
	since := r.At - d.LastAt
	r.since = since
	if !d.Started || since > doorGap || !d.sound() {
		d.Filled, d.Head, d.Mark, d.top = 0, 0, openMark{}, 0
	}
	d.Started, d.LastAt = true, r.At
	d.take(&r)
	// Two readings agree, or they come too rarely to wait for a second.
	if d.Mark.Count < 2 && since < doorBin {
		return DoorQuiet
	}
	n := float64(d.Mark.Count)
	return d.judge(&r, d.Mark.RH/n, d.Mark.Temp/n)
}

// sound reports whether the indices are such as Observe leaves them; a state
// from elsewhere may say anything.
func (d *Door) sound() bool {
	return uint(d.Head) < doorBins && uint(d.Filled) <= doorBins && d.Mark.Count >= 0
}

// take adds a reading to the open mark, after closing one that is over.
func (d *Door) take(r *DoorReading) {
	if d.Mark.Count > 0 && r.At-d.Mark.At >= doorBin {
		d.closeMark()
	}
	if d.Mark.Count == 0 {
		d.Mark.At = r.At
	}
	d.Mark.Count++
	d.Mark.RH += r.RH
	d.Mark.Temp += r.Temp
}

func (d *Door) closeMark() {
	n, m := float64(d.Mark.Count), &d.Ring[d.Head]
	gone := d.Filled == doorBins && m.RH >= d.top
	*m = doorMark{At: d.Mark.At, RH: d.Mark.RH / n, Temp: d.Mark.Temp / n}
	switch {
	case d.top > 0 && m.RH >= d.top:
		d.top = m.RH
	case gone:
		d.top = 0
	}
	d.Head = (d.Head + 1) % doorBins
	d.Filled = min(d.Filled+1, doorBins)
	d.Mark = openMark{}
}

func (d *Door) judge(r *DoorReading, rh, temp float64) DoorEvent {
	if d.State == DoorQuiet {
		if level, warm, ok := d.stepped(r, rh, temp); ok {
			d.State, d.Opened, d.Level, d.Warm, d.Lowest, d.LowAt = DoorOpened, r.At, level, warm, rh, r.At
			d.DeepAt, d.Deep, d.Wide = r.At, rh, false
			return DoorOpened
		}
		return DoorQuiet
	}
	if rh < d.Lowest {
		d.Lowest, d.LowAt = rh, r.At
	}
	if d.Level-rh > (1+doorLow)*(d.Level-d.Deep) {
		d.DeepAt, d.Deep = r.At, rh
	}
	back := rh >= d.Lowest+doorShutHalf*(d.Level-d.Lowest)
	if back && r.At-d.Opened <= doorShort {
		d.learn()
	}
	switch {
	case back && d.State == DoorOpened:
		d.rest()
		return DoorRecovered
	case back:
		d.rest()
		return DoorShut
	case r.At-d.Opened > doorForget:
		d.rest()
		return DoorForgotten
	case d.State == DoorOpened && r.At-d.Opened >= DoorWait:
		return d.stays(r, rh, temp)
	}
	return DoorQuiet
}

// stays decides about a fall that half did not come back from.
func (d *Door) stays(r *DoorReading, rh, temp float64) DoorEvent {
	open, came, fell := r.At-d.Opened, rh-d.Lowest, d.Level-d.Lowest
	slow := time.Duration(0)
	if d.Took >= doorQuick {
		slow = min(doorSlow*d.Took, doorLatest)
	}
	late := open >= max(doorLast, slow)
	water, warm := d.ways(r, rh, temp)
	rises := came > 0 && came >= doorRises*fell*(r.At-d.LowAt).Minutes()
	switch {
	case open < slow, !late && (rises || came > doorLow*fell), rises && open < doorLatest:
		return DoorQuiet // on its way back, perhaps
	case came <= doorStays*fell && (d.Wide || d.wideOpen(r, rh, temp, water, warm)):
		if d.Wide = true; r.At-d.DeepAt < DoorWait && open < doorLatest {
			return DoorQuiet // it fell until just now: nobody knows whether it comes back
		}
		d.State = DoorAjar
		return DoorAjar
	case !late && warm >= doorMoved && came <= doorStays*fell:
		return DoorQuiet // the air may still be on its way to the room's
	}
	if came > doorStays*fell {
		d.learn()
	}
	d.rest()
	return DoorDraught
}

// learn takes how long the air of a door that was shut soon went down.
func (d *Door) learn() {
	if took := d.LowAt - d.Opened; d.Took == 0 {
		d.Took = took
	} else {
		d.Took += (took - d.Took) / 2
	}
}

// ways are how much of the way to the room's water and temperature the air went, 0
// where that is not known.
func (d *Door) ways(r *DoorReading, rh, temp float64) (water, warm float64) {
	if !r.HasRoom || !r.HasRoomRH {
		return 0, 0
	}
	before, err1 := AbsoluteHumidity(d.Warm, min(d.Level, 100))
	now, err2 := AbsoluteHumidity(temp, min(rh, 100))
	room, err3 := AbsoluteHumidity(r.RoomTemp, r.RoomRH)
	if errors.Join(err1, err2, err3) != nil || before <= room {
		return 0, 0
	}
	if gap := d.Warm - r.RoomTemp; math.Abs(gap) >= doorGapC {
		warm = (d.Warm - temp) / gap
	}
	return (before - now) / (before - room), max(warm, d.cooled(r, rh, temp))
}

// cooled is how far the air cooled for each °C by which it is still more than the room's
// in wet bulb. Dry air that comes in takes its heat from wet leaves and from the glass: the
// more of it, the further the enclosure falls below what its glass has, also below the
// room, and the closer its wet bulb comes to the room's.
func (d *Door) cooled(r *DoorReading, rh, temp float64) float64 {
	now, err1 := WetBulb(temp, min(rh, 100), StandardPressure)
	room, err2 := WetBulb(r.RoomTemp, r.RoomRH, StandardPressure)
	if errors.Join(err1, err2) != nil || temp >= d.Warm {
		return 0
	}
	return (d.Warm - temp) / max(now-room, doorGapC)
}

// rest goes back to watching, from the level as it is now: the way back up
// must not look like the level before another fall.
func (d *Door) rest() { d.State, d.Filled, d.Head, d.top = DoorQuiet, 0, 0, 0 }

// Interrupt forgets what the next reading would be compared with, because nobody
// looked for a while. A door that was ajar is so until it is seen to be shut.
func (d *Door) Interrupt() {
	d.Filled, d.Head, d.Mark, d.top = 0, 0, openMark{}, 0
	if d.State == DoorOpened {
		d.State = DoorQuiet
	}
}

// wideOpen reports whether as much of the room came in as a door lets in.
func (d *Door) wideOpen(r *DoorReading, rh, temp, water, warm float64) bool {
	switch {
	case !r.HasRoom:
		return d.Warm-temp >= doorCold || d.Level-rh >= doorBlind && math.Abs(d.Warm-temp) >= doorStirs
	case !r.HasRoomRH:
		return d.Level-rh >= doorBlind
	case warm < doorMoved && math.Abs(d.Warm-r.RoomTemp) < max(doorGapC, doorSteps*r.Grain):
		return water >= doorWater
	}
	return warm >= doorMoved && water+min(warm, 1) >= doorAir
}

// stepped reports a fall toward the room's climate and the level and
// temperature before it. One that is slower or half as deep counts where the air cooled as
// well, as dry air does among wet leaves.
func (d *Door) stepped(r *DoorReading, rh, temp float64) (level, warm float64, ok bool) {
	if d.highest()-rh < doorFall/2 {
		return 0, 0, false // as nearly always
	}
	level, warm, ok = d.before(r, doorFrom, doorTo)
	if !ok || level-rh < doorFall {
		level, warm, ok = d.before(r, doorSlowFrom, doorSlowTo)
		if fell, cooled := level-rh, warm-temp; !ok || fell < doorFall/2 || cooled < doorStirs || fell*cooled < doorBoth {
			return 0, 0, false
		}
	}
	if !towardRoom(r, level, warm, rh, temp) {
		return 0, 0, false
	}
	if !r.Disturbed {
		return level, warm, true
	}
	// A fan or a vent dries the air as fast as a door, but only a door lets
	// the room's temperature in.
	if !r.HasRoom {
		return 0, 0, false
	}
	moved := warm - temp
	if r.RoomTemp > warm {
		moved = -moved
	}
	return level, warm, moved >= doorCold
}

// highest is the highest humidity of the marks, looked for anew after that one went.
func (d *Door) highest() float64 {
	if d.top == 0 {
		for i := range d.Filled {
			d.top = max(d.top, d.Ring[i].RH)
		}
	}
	return d.top
}

// before is the mean of the marks of that age; of readings that come rarely, the last
// doorPolls of them.
func (d *Door) before(r *DoorReading, from, to time.Duration) (rh, temp float64, ok bool) {
	n := 0.0
	to = max(to, doorPolls*r.since)
	for i := range d.Filled {
		m := &d.Ring[i]
		if age := r.At - m.At; age >= from && age <= to {
			rh, temp, n = rh+m.RH, temp+m.Temp, n+1
		}
	}
	return rh / n, temp / n, n > 0
}

// towardRoom reports whether water left the air, and toward the room's share
// of it where that is known: warmer air alone lowers relative humidity too.
func towardRoom(r *DoorReading, level, warm, rh, temp float64) bool {
	before, err1 := AbsoluteHumidity(warm, min(level, 100))
	now, err2 := AbsoluteHumidity(temp, min(rh, 100))
	if err1 != nil || err2 != nil {
		return false
	}
	if !r.HasRoom || !r.HasRoomRH {
		return now < before*(1-doorNear/2)
	}
	room, err := AbsoluteHumidity(r.RoomTemp, r.RoomRH)
	return err == nil && room < before && before-now >= doorNear*(before-room)
}

// Open returns since when the door has been open or ajar.
func (d *Door) Open() (since time.Duration, open bool) { return d.Opened, d.State != DoorQuiet }

// Ajar reports whether the door counts as left ajar.
func (d *Door) Ajar() bool { return d.State == DoorAjar }
