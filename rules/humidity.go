package rules

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// judgeFloor steps the humidity floor. The floor is reached at the value
// itself, as every limit: a keeper who wants it above 70 % hears at 70.00 %.
func (e *Engine) judgeFloor(en *enclosure, now sensors.Instant) {
	if en.lim.floor <= 0 {
		return // tadpole water has none
	}
	s := &en.slots[kFloor]
	floor, dead := en.lim.floor, int32(math.Round(float64(e.cfg.Rules.FloorDeadband)*100))
	in := alarm.Missing
	if en.now.hasHum {
		v := en.now.hum
		if e.cfg.Rules.FloorLessUncert {
			v -= int32(e.probes[en.now.humProbe].st.HumLess)
		}
		in = alarm.Low(v, floor, dead)
		s.limit(float64(v)/100, float64(floor)/100)
	}
	if in == alarm.Back && e.dryDoubt(en, now.Mono, floor, dead) {
		in = alarm.Missing
	}
	// An excuse keeps an alarm from rising; it does not hide one that has.
	if l := &s.rec.Life; l.State == alarm.Norm || l.State == alarm.Suppressed {
		l.Suppress = en.st.HasExcuse && now.Mono < en.st.Excused
	}
	e.apply(s, now, in, en.now.gap)
}

// dryDoubt reports whether a probe that the floor is judged on, and that takes
// no part now, was dry when it last could.
func (e *Engine) dryDoubt(en *enclosure, now time.Duration, floor, dead int32) bool {
	for _, i := range en.probes {
		p := &e.probes[i]
		if en.namedFloor && !p.cfg.FloorProbe {
			continue
		}
		if p.dryDoubt(&e.cfg.Rules, now, floor, dead) {
			return true
		}
	}
	return false
}

// watchDoor tells a normal opening, which excuses the floor for a while, from
// a door left ajar. Heat is never excused.
func (e *Engine) watchDoor(en *enclosure, now sensors.Instant, disturbed bool) {
	r := climate.DoorReading{
		At: now.Mono, Temp: float64(en.now.main) / 100, RH: float64(en.now.hum) / 100, Disturbed: disturbed,
	}
	if !en.now.hasTemp {
		return
	}
	if !en.now.hasHum {
		r.RH = math.NaN()
	}
	if t, ok := e.roomTemp(now.Mono); ok {
		r.RoomTemp, r.HasRoom = float64(t)/100, true
	}
	if h, ok := e.roomHum(now.Mono); ok {
		r.RoomRH, r.HasRoomRH = float64(h)/100, true
	}
	switch en.st.Door.Observe(r) {
	case climate.DoorOpened:
		en.st.DoorAt = now.Mono
		en.st.Excused, en.st.HasExcuse = now.Mono+e.cfg.Rules.DoorExcuse.D(), true
	case climate.DoorAjar:
		en.st.HasExcuse = false
	}
	e.judgeAjar(en, now, en.st.Door.Ajar())
}

func (e *Engine) judgeAjar(en *enclosure, now sensors.Instant, ajar bool) {
	s := &en.slots[kDoorAjar]
	if !ajar && !s.open() {
		return
	}
	if !s.open() && en.cfg.Stage == configs.Froglet {
		s.rec.Priority = Wake // a dry floor gives a froglet 1.5 to 3 h (own arithmetic)
	}
	e.hold(s, now, ajar)
}
