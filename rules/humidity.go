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
	s := &en.slots[alarm.KindFloor]
	in := e.floorInput(en, s, now.Mono)
	// An excuse keeps an alarm from rising; it does not hide one that has.
	if l := &s.rec.Life; l.State == alarm.Norm || l.State == alarm.Suppressed {
		l.Suppress = en.st.HasExcuse && now.Mono < en.st.Excused
	}
	if in == alarm.Beyond && !s.rec.Life.Active && e.waitForDoor(en, s) {
		in = alarm.Missing
	}
	if s.rec.Life.Rest(now.Mono, in) {
		return
	}
	was, sp := s.rec.Life.Active, e.spec(s, en.now.gap)
	if e.standsIn(en) {
		sp.OnDelay *= standInDelay
	}
	e.moved(s, now, was, s.rec.Life.Step(sp, now, in))
}

// floorInput classifies the humidity that the floor is held against.
func (e *Engine) floorInput(en *enclosure, s *slot, now time.Duration) alarm.Input {
	floor, dead := en.lim.floor, e.floorDead
	in := alarm.Missing
	if en.now.hasHum {
		v := e.floorHum(en)
		in = alarm.Low(v, floor, dead)
		s.limit(float64(v)/100, float64(floor)/100)
	}
	if in == alarm.Back && e.dryDoubt(en, now, floor, dead) {
		return alarm.Missing
	}
	return in
}

// floorHum is that humidity, in hundredths of a percent.
func (e *Engine) floorHum(en *enclosure) int32 {
	v := en.now.hum
	if e.cfg.Rules.FloorLessUncert {
		v -= int32(e.probes[en.now.humProbe].st.HumLess)
	}
	if e.standsIn(en) {
		v = e.standInHum(en, v)
	}
	return v
}

// waitForDoor reports whether the floor is about to rise under an excuse that
// a door which has not recovered is about to lose: a minute sooner or later
// the one is told with the other.
func (e *Engine) waitForDoor(en *enclosure, s *slot) bool {
	since, open := en.st.Door.Open()
	return s.rec.Life.Suppress && open && !en.st.Door.Ajar() &&
		e.estAt(en.st.At.Mono)-since < climate.DoorWait+quickEvery && s.rec.Life.OnFor >= e.cfg.Rules.FloorOnDelay.D()-2*quickEvery
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

// standsIn reports whether the floor is judged by another probe than the one
// that is named for it, because that one has nothing to say.
func (e *Engine) standsIn(en *enclosure) bool {
	return en.namedFloor && en.now.hasHum && !e.probes[en.now.humProbe].cfg.FloorProbe
}

// standInHum is what the named place would say, in hundredths of a percent.
func (e *Engine) standInHum(en *enclosure, v int32) int32 {
	if g := &en.st.StandIn; g.Minutes >= standInFew {
		return min(v+int32(math.Round(g.Gap*100)), 10000)
	}
	return v
}

// learnStandIn compares the named probe with the others while all deliver.
func (e *Engine) learnStandIn(en *enclosure, now time.Duration) {
	if !en.namedFloor || len(en.probes) < 2 || !en.now.hasHum || e.standsIn(en) {
		return
	}
	var hums few
	for _, i := range en.probes {
		if p := &e.probes[i]; !p.cfg.FloorProbe && p.humUsable(&e.cfg.Rules, now) {
			hums.add(int32(p.st.Hum))
		}
	}
	others, ok := hums.median()
	if !ok {
		return
	}
	g := &en.st.StandIn
	step := quickEvery.Minutes()
	g.Minutes = min(g.Minutes+step, standInFull)
	g.Gap += (float64(en.now.hum-others)/100 - g.Gap) * step / g.Minutes
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
		At: e.estAt(now.Mono), Temp: float64(en.now.main) / 100, RH: float64(en.now.hum) / 100, Disturbed: disturbed,
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
	e.learnStandIn(en, now.Mono)
	switch en.st.Door.Observe(r) {
	case climate.DoorOpened:
		en.st.DoorAt = now.Mono
		en.st.Excused, en.st.HasExcuse = now.Mono+e.cfg.Rules.DoorExcuse.D(), true
	case climate.DoorAjar, climate.DoorDraught:
		en.st.HasExcuse = false
	}
	e.judgeAjar(en, now, en.st.Door.Ajar())
}

func (e *Engine) judgeAjar(en *enclosure, now sensors.Instant, ajar bool) {
	s := &en.slots[alarm.KindDoorAjar]
	if !ajar && !s.open() {
		return
	}
	if !s.rec.Life.Active && en.cfg.Stage == configs.Froglet {
		s.rec.Priority = Wake // a dry floor gives a froglet 1.5 to 3 h (own arithmetic)
	}
	e.hold(s, now, ajar)
}

// standInFact says on whose word the floor is judged.
func (e *Engine) standInFact(en *enclosure) alarm.Fact {
	f := alarm.Fact{ID: alarm.FactStandIn, About: e.probes[en.now.humProbe].cfg.ID}
	if g := &en.st.StandIn; g.Minutes >= standInFew {
		f.ID, f.Percent = alarm.FactStandInSet, g.Gap
	}
	return f
}
