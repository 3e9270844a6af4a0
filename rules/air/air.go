// Package air follows the air of the room and of its enclosures: trends, thermal
// models, usual differences, and whether humidity moves as heated air's should.
// What it learns stands in the View.
package air

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// learn feeds the thermal model and the usual offset to the room.
func (l look) learn(en *room.Enclosure, now sensors.Instant, hot, main float64) {
	hour := l.v.Hour(now)
	r := climate.ThermalReading{At: l.v.EstAt(now.Mono), Air: hot, Noise: en.St.Trend.Noise(), Hour: hour, Exclude: l.disturbedModel(en, now.Mono)}
	if en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known {
		r.Lamps = climate.LampsOff
		if l.v.Lamps[en.Lamps].On {
			r.Lamps = climate.LampsOn
		}
	}
	if t, ok := l.v.RoomTemp(now.Mono); ok {
		r.Room, r.HasRoom = float64(t)/100, true
		if hour >= 0 && !r.Exclude {
			en.St.Offset.Observe(hour, main-r.Room)
		}
	}
	en.St.Thermal.Observe(r)
}

// disturbedModel reports whether the temperature is under the influence of
// something that the thermal model does not know.
func (l look) disturbedModel(en *room.Enclosure, now time.Duration) bool {
	if l.v.DoorOpen(en) {
		return true
	}
	return en.St.HasPulse && now-en.St.PulseAt < 20*time.Minute
}

func (l look) estimateRoom(now sensors.Instant) {
	if now.Mono-l.v.Air.SlowAt < room.SlowEvery && l.v.Air.SlowAt != 0 {
		return
	}
	t, ok := l.v.RoomTemp(now.Mono)
	if !ok {
		return
	}
	l.v.Air.SlowAt = now.Mono
	l.v.Air.Trend.Observe(l.v.EstAt(now.Mono), float64(t)/100)
	hour := l.v.Hour(now)
	if hour < 0 {
		return
	}
	l.v.Air.Usual.Observe(hour, float64(t)/100)
	if h, ok := l.v.RoomHum(now.Mono); ok {
		l.v.Air.UsualHum.Observe(hour, float64(h)/100)
	}
}

// Judge follows the air of the room and of each enclosure. It finds nothing:
// what it learns stands in the View for the judges after it.
type Judge struct{}

type look struct{ v *room.View }

// Step feeds what is estimated.
func (Judge) Step(v *room.View, _ *room.Out) {
	l := look{v}
	switch v.Due {
	case room.Around:
		if v.Probes[v.Probe].Cfg.Place == configs.InRoom {
			l.estimateRoom(v.At)
		}
	case room.Slow:
		en := v.Enclosure
		hot, main := float64(en.Now.Hot)/100, float64(en.Now.Main)/100
		en.St.Trend.Observe(v.EstAt(v.At.Mono), hot)
		l.learn(en, v.At, hot, main)
		l.watchMoist(en, v.At)
	case room.Learn:
		l.refit(v.At)
	}
}

const (
	moistSlot  = 10 * time.Minute
	moistRise  = 1.2 // °C within the hour
	moistPer   = 0.06
	moistRoom  = 0.4 // °C in half an hour, by which the room itself moves
	moistLeast = 0.2 // of the fall in humidity that heat would bring
	moistWet   = 9600
	moistAfter = 2 * time.Hour // after a mist leaves are wet, and humidity stays by itself
	moistHolds = 24 * time.Hour
)

// watchMoist takes the present values, once a minute.
func (l look) watchMoist(en *room.Enclosure, now sensors.Instant) {
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
func (l look) moistExcused(en *room.Enclosure, now time.Duration) bool {
	if en.St.HasPulse && now-en.St.PulseAt < moistAfter {
		return true
	}
	if l.v.DoorOpen(en) || en.St.DoorAt > 0 && now-en.St.DoorAt < room.MoistSlots*moistSlot {
		return true
	}
	if en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known && l.v.Lamps[en.Lamps].Edge < room.MoistSlots*moistSlot {
		return true
	}
	room, ok := l.v.Air.Trend.Change()
	return !ok || math.Abs(room) > moistRoom
}

// refit lets one enclosure a minute learn its thermal model anew, each once a
// day and, where the time is known, in the small hours.
func (l look) refit(now sensors.Instant) {
	hour := l.v.Hour(now)
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		since := now.Mono - en.St.RefitAt
		if since < 20*time.Hour || hour >= 0 && (hour < 2 || hour >= 5) && since < 30*time.Hour {
			continue
		}
		en.St.RefitAt = now.Mono
		en.St.Thermal.Refit()
		return
	}
}
