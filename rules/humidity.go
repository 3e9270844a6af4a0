package rules

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// judgeFloor steps the humidity floor. The floor is reached at the value
// itself, as every limit: a keeper who wants it above 70 % hears at 70.00 %.
func (l limitsLook) judgeFloor(en *room.Enclosure, now sensors.Instant) {
	if en.Limits.Floor <= 0 {
		return // tadpole water has none
	}
	s := &en.Alarms[alarm.KindFloor]
	in := l.floorInput(en, s, now.Mono)
	// An excuse keeps an alarm from rising; it does not hide one that has.
	if l := &s.Rec.Life; l.State == alarm.Norm || l.State == alarm.Suppressed {
		l.Suppress = en.St.HasExcuse && now.Mono < en.St.Excused
	}
	if in == alarm.Beyond && !s.Rec.Life.Active && l.waitForDoor(en, s) {
		in = alarm.Missing
	}
	f := room.Finding{Alarm: s, In: in, Gap: en.Now.Gap}
	if l.v.StandsIn(en) {
		f.Slow = standInDelay
	}
	l.out.Find(f)
}

// floorInput classifies the humidity that the floor is held against.
func (l limitsLook) floorInput(en *room.Enclosure, s *room.Alarm, now time.Duration) alarm.Input {
	floor, dead := en.Limits.Floor, l.v.FloorDead
	in := alarm.Missing
	if en.Now.HasHum {
		v := l.floorHum(en)
		in = alarm.Low(v, floor, dead)
		s.Against(float64(v)/100, float64(floor)/100)
	}
	if in == alarm.Back && l.dryDoubt(en, now, floor, dead) {
		return alarm.Missing
	}
	return in
}

// floorHum is that humidity, in hundredths of a percent.
func (l limitsLook) floorHum(en *room.Enclosure) int32 {
	v := en.Now.Hum
	if l.v.Cfg.Rules.FloorLessUncert {
		v -= int32(l.v.Probes[en.Now.HumProbe].St.HumLess)
	}
	if l.v.StandsIn(en) {
		v = l.standInHum(en, v)
	}
	return v
}

// waitForDoor reports whether the floor is about to rise under an excuse that
// a door which has not recovered is about to lose: a minute sooner or later
// the one is told with the other.
func (l limitsLook) waitForDoor(en *room.Enclosure, s *room.Alarm) bool {
	since, open := en.St.Door.Open()
	return s.Rec.Life.Suppress && open && !en.St.Door.Ajar() &&
		l.v.EstAt(en.St.At.Mono)-since < climate.DoorWait+room.QuickEvery && s.Rec.Life.OnFor >= l.v.Cfg.Rules.FloorOnDelay.D()-2*room.QuickEvery
}

// StandIn is by how much the humidity where the floor is judged usually
// differs from the other probes of the enclosure, in %: what they say is good
// for the floor only with that taken off.
type StandIn struct {
	Gap     float64 `json:"gap,omitempty"`
	Minutes float64 `json:"minutes,omitempty"` // seen together, at most standInFull
}

const (
	standInFull  = 60 // minutes that the mean of the difference looks back
	standInFew   = 15 // minutes after which it is used
	standInDelay = 3  // times the floor's on-delay, on another place's word
)

// standInHum is what the named place would say, in hundredths of a percent.
func (l limitsLook) standInHum(en *room.Enclosure, v int32) int32 {
	if g := &l.At[en.Index].StandIn; g.Minutes >= standInFew {
		return min(v+int32(math.Round(g.Gap*100)), 10000)
	}
	return v
}

// learnStandIn compares the named probe with the others while all deliver.
func (l limitsLook) learnStandIn(en *room.Enclosure, now time.Duration) {
	if !en.NamedFloor || len(en.Probes) < 2 || !en.Now.HasHum || l.v.StandsIn(en) {
		return
	}
	var hums room.Few
	for _, i := range en.Probes {
		if p := &l.v.Probes[i]; !p.Cfg.FloorProbe && p.HumUsable(&l.v.Cfg.Rules, now) {
			hums.Add(int32(p.St.Hum))
		}
	}
	others, ok := hums.Median()
	if !ok {
		return
	}
	g := &l.At[en.Index].StandIn
	step := room.QuickEvery.Minutes()
	g.Minutes = min(g.Minutes+step, standInFull)
	g.Gap += (float64(en.Now.Hum-others)/100 - g.Gap) * step / g.Minutes
}

// dryDoubt reports whether a probe that the floor is judged on, and that takes
// no part now, was dry when it last could.
func (l limitsLook) dryDoubt(en *room.Enclosure, now time.Duration, floor, dead int32) bool {
	for _, i := range en.Probes {
		p := &l.v.Probes[i]
		if en.NamedFloor && !p.Cfg.FloorProbe {
			continue
		}
		if p.DryDoubt(&l.v.Cfg.Rules, now, floor, dead) {
			return true
		}
	}
	return false
}

// watchDoor tells a normal opening, which excuses the floor for a while, from
// a door left ajar. Heat is never excused.
func (l doorLook) watchDoor(en *room.Enclosure, now sensors.Instant, disturbed bool) {
	r := climate.DoorReading{
		At: l.v.EstAt(now.Mono), Temp: float64(en.Now.Main) / 100, RH: float64(en.Now.Hum) / 100, Disturbed: disturbed,
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
	}
	l.judgeAjar(en, now, en.St.Door.Ajar())
}

func (l doorLook) judgeAjar(en *room.Enclosure, now sensors.Instant, ajar bool) {
	s := &en.Alarms[alarm.KindDoorAjar]
	if !ajar && !s.Open() {
		return
	}
	if !s.Rec.Life.Active && en.Cfg.Stage == configs.Froglet {
		s.Rec.Priority = Wake // a dry floor gives a froglet 1.5 to 3 h (own arithmetic)
	}
	l.out.Hold(s, ajar)
}

// standInFact says on whose word the floor is judged.
func (l limitsLook) standInFact(en *room.Enclosure) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactStandIn, About: l.v.Probes[en.Now.HumProbe].Cfg.ID}
	if g := &l.At[en.Index].StandIn; g.Minutes >= standInFew {
		f.ID, f.Percent = alarm.FactStandInSet, g.Gap
	}
	return f
}
