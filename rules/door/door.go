// Package door tells an opening, which excuses the humidity floor for a while,
// from a door left ajar. Heat is never excused.
package door

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// disturbed reports whether a step in temperature and humidity has another
// explanation than the door.
func (l look) disturbed(en *room.Enclosure, now time.Duration) bool {
	if en.St.HasPulse && now-en.St.PulseAt < 20*time.Minute {
		if _, raining := en.St.Mist.Current(); raining {
			return true
		}
	}
	return en.Lamps >= 0 && l.v.Lamps[en.Lamps].Known && l.v.Lamps[en.Lamps].Edge < 30*time.Minute
}

// watchDoor tells a normal opening, which excuses the floor for a while, from
// a door left ajar. Heat is never excused.
func (l look) watchDoor(en *room.Enclosure, now sensors.Instant, disturbed bool) {
	r := climate.DoorReading{
		At: l.v.EstAt(now.Mono), Temp: float64(en.Now.Main) / 100, RH: float64(en.Now.Hum) / 100, Disturbed: disturbed,
		Grain: max(en.St.Trend.Grain, l.v.Air.Trend.Grain),
	}
	if !en.Now.HasTemp {
		return
	}
	if !en.Now.HasHum {
		r.RH = math.NaN()
	}
	if t, ok := l.v.RoomTemp(now.Mono); ok {
		r.RoomTemp, r.HasRoom = float64(t)/100, true
	}
	if h, ok := l.v.RoomHum(now.Mono); ok {
		r.RoomRH, r.HasRoomRH = float64(h)/100, true
	}
	switch en.St.Door.Observe(r) {
	case climate.DoorOpened:
		en.St.DoorAt = now.Mono
		en.St.Excused, en.St.HasExcuse = now.Mono+l.v.Cfg.Rules.DoorExcuse.D(), true
	case climate.DoorAjar, climate.DoorDraught:
		en.St.HasExcuse = false
	case climate.DoorForgotten:
		en.St.Lamps.Unlearn() // they warm an open enclosure less
	}
	l.judgeAjar(en, now, en.St.Door.Ajar() && !l.saysOpen(en))
}

// saysOpen reports whether a contact says that the door is open, which it tells by an alarm
// of its own. One that says shut may be stuck, and hides nothing.
func (l look) saysOpen(en *room.Enclosure) bool {
	_, open := l.v.Fact(en, configs.SenseDoor, true)
	return open
}

func (l look) judgeAjar(en *room.Enclosure, now sensors.Instant, ajar bool) {
	s := &en.Alarms[alarm.KindDoorAjar]
	if !ajar && !s.Open() {
		return
	}
	if !s.Rec.Life.Active && en.Cfg.Stage == configs.Froglet {
		s.Rec.Priority = alarm.Wake // a dry floor gives a froglet 1.5 to 3 h (own arithmetic)
	}
	l.out.Hold(s, ajar)
}

// Judge looks for doors: an opening excuses the humidity floor for a while,
// one left ajar is told. It remembers nothing beside what the View has.
type Judge struct{}

// doorLook is one look at the room.
type look struct {
	v   *room.View
	out *room.Out
}

// Step looks at one enclosure.
func (Judge) Step(v *room.View, out *room.Out) {
	l := look{v, out}
	l.watchDoor(v.Enclosure, v.At, l.disturbed(v.Enclosure, v.At.Mono))
}

// Cause is the door.
func (Judge) Cause(v *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	return alarm.Cause{Kind: alarm.CauseDoor, ID: v.Enclosures[a.Index].Cfg.ID}, nil
}
