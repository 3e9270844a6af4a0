package rules

import (
	"math"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

const (
	moistSlot  = 10 * time.Minute
	moistRise  = 1.2 // °C within the hour
	moistPer   = 0.06
	moistLeast = 0.2 // of the fall in humidity that heat would bring
	moistWet   = 9600
	moistAfter = 2 * time.Hour // after a mist leaves are wet, and humidity stays by itself
	moistHolds = 24 * time.Hour
)

// watchMoist takes the present values, once a minute.
func (l airLook) watchMoist(en *room.Enclosure, now sensors.Instant) {
	m := &en.St.Moist
	if len(en.Probes) != 1 || !en.Now.HasTemp || !en.Now.HasHum {
		m.Filled = 0
		return
	}
	switch n := int64(l.v.EstAt(now.Mono) / moistSlot); {
	case m.Filled == 0 || n > m.Slot+1:
		m.Filled, m.Slot = 1, n
	case n > m.Slot:
		copy(m.Temp[1:], m.Temp[:])
		copy(m.Hum[1:], m.Hum[:])
		m.Filled, m.Slot = min(m.Filled+1, room.MoistSlots), n
	}
	m.Temp[0], m.Hum[0] = int16(en.Now.Main), int16(en.Now.Hum)
	if m.Apart > 0 && now.Mono-m.Apart > moistHolds {
		m.Apart, m.Rise = 0, 0
	}
	if rise := parted(m); rise != 0 && !l.moistExcused(en, now.Mono) {
		m.Apart, m.Rise = now.Mono, rise
	}
}

// parted returns by how much the temperature moved within the hour without the
// humidity, 0 for not.
func parted(m *room.Moist) float64 {
	for i := 3; i < m.Filled; i++ {
		rise := float64(int32(m.Temp[0])-int32(m.Temp[i])) / 100
		if math.Abs(rise) < moistRise || m.Hum[i] >= moistWet || m.Hum[0] >= moistWet {
			continue
		}
		was, is := float64(m.Hum[i])/100, float64(m.Hum[0])/100
		due := was * (math.Exp(-moistPer*rise) - 1)
		due = min(due, 100-was)
		if math.Abs(is-was) < moistLeast*math.Abs(due) {
			return rise
		}
	}
	return 0
}

// moistExcused reports whether water, a door, the lamps or the room had a part
// in the last hour.
func (l airLook) moistExcused(en *room.Enclosure, now time.Duration) bool {
	if en.St.HasPulse && now-en.St.PulseAt < moistAfter {
		return true
	}
	if _, open := en.St.Door.Open(); open || en.St.DoorAt > 0 && now-en.St.DoorAt < room.MoistSlots*moistSlot {
		return true
	}
	if en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known && l.v.Lamps[en.Lamps].Edge < room.MoistSlots*moistSlot {
		return true
	}
	room, ok := l.v.Air.Trend.Change()
	return !ok || math.Abs(room) > roomOffMoves
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
