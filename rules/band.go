package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Delays of the limits that make a band alarm urgent. No keeper has a reason to
// change them.
const (
	actOn     = 5 * time.Minute
	coldOn    = 10 * time.Minute
	severeOff = 10 * time.Minute
)

// band returns the temperatures in force, both inside the band, and the band's
// name. Without a lamp schedule (nil) or a clock, and for a while after the lamps
// switched, the wider of both bands holds.
func (l *limits) band(lamps *lampSet, settle time.Duration) (low, high int32, name string) {
	switch {
	case lamps == nil || !lamps.known || lamps.edge < settle:
		return min(l.dayLow, l.nightLow), max(l.dayHigh, l.nightHigh), "day or night"
	case lamps.on:
		return l.dayLow, l.dayHigh, "day"
	}
	return l.nightLow, l.nightHigh, "night"
}

// band is the band in force of an enclosure at the engine's present minute.
func (e *Engine) band(en *enclosure) (low, high int32, name string) {
	var lamps *lampSet
	if en.lamps >= 0 {
		lamps = &e.lamps[en.lamps]
	}
	return en.lim.band(lamps, e.cfg.Rules.BandSettle.D())
}

// A Band knows the band in force of one enclosure at any instant, by the same
// rule as the Engine. It does not change and may be shared.
type Band struct {
	lim    limits
	lamps  *lampSet // nil for none
	settle time.Duration
	loc    *time.Location
}

// BandOf returns the Band of an enclosure of a configuration.
func BandOf(cfg *configs.Config, enclosure configs.Enclosure) Band {
	b := Band{lim: limitsOf(cfg.SpeciesFor(enclosure)), settle: cfg.Rules.BandSettle.D(), loc: cfg.Room.Location}
	if l, ok := cfg.LampsOf(enclosure); ok {
		b.lamps = &lampSet{cfg: l}
	}
	return b
}

// At returns the temperatures between which all is well, both included.
func (b Band) At(now sensors.Instant) (low, high sensors.CentiCelsius) {
	var lamps *lampSet
	if b.lamps != nil {
		then := lampSet{cfg: b.lamps.cfg}
		then.read(now.Wall.Truncate(time.Minute).In(b.loc), now.Synced)
		lamps = &then
	}
	l, h, _ := b.lim.band(lamps, b.settle)
	return sensors.CentiCelsius(l), sensors.CentiCelsius(h)
}

// judgeBand steps the alarms on both sides of the band. Its ends belong to the
// band; the limits that make an excursion urgent are reached at the value
// itself.
func (e *Engine) judgeBand(en *enclosure, now sensors.Instant) {
	low, high, _ := e.band(en)
	e.judgeAbove(en, now, high, e.bandDead)
	e.judgeBelow(en, now, low, e.bandDead)
}

// judgeAbove looks at the band where the frogs live and, whatever that says,
// at the limit to act on at the hottest place.
func (e *Engine) judgeAbove(en *enclosure, now sensors.Instant, high, dead int32) {
	s, p := &en.slots[alarm.KindAbove], &en.now
	severe := e.hotInput(en, now.Mono, en.lim.act, dead)
	if !en.st.Act.Rest(now.Mono, severe) {
		en.st.Act.Step(alarm.Spec{OnDelay: actOn, OffDelay: severeOff, MaxGap: p.gap, KeepReturned: -1}, now, severe)
	}
	urgent := en.st.Act.Active
	in := e.mainInput(en, now.Mono, upper, high+1, dead+1)
	if urgent && in != alarm.Beyond && severe != alarm.Back {
		in = severe
	}
	switch {
	case urgent && p.hasTemp:
		s.limit(float64(p.hot)/100, float64(en.lim.act)/100)
	case p.hasTemp:
		s.limit(float64(p.main)/100, float64(high)/100)
	}
	e.applySide(s, now, in, urgent && severe == alarm.Beyond, p.gap)
}

func (e *Engine) judgeBelow(en *enclosure, now sensors.Instant, low, dead int32) {
	s, p := &en.slots[alarm.KindBelow], &en.now
	severe := e.mainInput(en, now.Mono, lower, en.lim.cold, dead)
	if !en.st.Cold.Rest(now.Mono, severe) {
		en.st.Cold.Step(alarm.Spec{OnDelay: coldOn, OffDelay: severeOff, MaxGap: p.gap, KeepReturned: -1}, now, severe)
	}
	urgent := en.st.Cold.Active
	in := e.mainInput(en, now.Mono, lower, low-1, dead+1)
	switch {
	case urgent && p.hasTemp:
		s.limit(float64(p.main)/100, float64(en.lim.cold)/100)
	case p.hasTemp:
		s.limit(float64(p.main)/100, float64(low)/100)
	}
	e.applySide(s, now, in, urgent && severe == alarm.Beyond, p.gap)
}

// applySide steps a band alarm. One that has become urgent has waited long
// enough, and is a wake alarm until it is over.
func (e *Engine) applySide(s *slot, now sensors.Instant, in alarm.Input, urgent bool, gap time.Duration) {
	if s.rec.Life.Rest(now.Mono, in) {
		return
	}
	was := s.rec.Life.Active
	sp := e.spec(s, gap)
	if urgent {
		sp.OnDelay = 0
	}
	c := s.rec.Life.Step(sp, now, in)
	if !was && s.rec.Life.Active { // whatever it was the last time
		if s.rec.Priority = s.kind.Row().Priority; urgent {
			s.rec.Priority = Wake
		}
	}
	if c.Changed() {
		e.emit(s, now, c, "", c.Why)
	}
	if urgent && s.rec.Life.Active {
		e.raisePriority(s, now, Wake)
	}
}
