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
func (l *Limits) Band(lamps *Lamps, settle time.Duration) (low, high int32, name string) {
	switch {
	case lamps == nil || !lamps.Known || lamps.Edge < settle:
		return min(l.DayLow, l.NightLow), max(l.DayHigh, l.NightHigh), "day or night"
	case lamps.On:
		return l.DayLow, l.DayHigh, "day"
	}
	return l.NightLow, l.NightHigh, "night"
}

// band is the band in force of an enclosure at the engine's present minute.
func (v *View) Band(en *Enclosure) (low, high int32, name string) {
	var lamps *Lamps
	if en.Lamps >= 0 {
		lamps = &v.Lamps[en.Lamps]
	}
	return en.Limits.Band(lamps, v.Cfg.Rules.BandSettle.D())
}

// A Band knows the band in force of one enclosure at any instant, by the same
// rule as the Engine. It does not change and may be shared.
type Band struct {
	lim    Limits
	lamps  *Lamps // nil for none
	settle time.Duration
	loc    *time.Location
}

// BandOf returns the Band of an enclosure of a configuration.
func BandOf(cfg *configs.Config, enclosure configs.Enclosure) Band {
	b := Band{lim: LimitsOf(cfg.SpeciesFor(enclosure)), settle: cfg.Rules.BandSettle.D(), loc: cfg.Room.Location}
	if l, ok := cfg.LampsOf(enclosure); ok {
		b.lamps = &Lamps{Cfg: l}
	}
	return b
}

// At returns the temperatures between which all is well, both included.
func (b Band) At(now sensors.Instant) (low, high sensors.CentiCelsius) {
	var lamps *Lamps
	if b.lamps != nil {
		then := Lamps{Cfg: b.lamps.Cfg}
		then.read(now.Wall.Truncate(time.Minute).In(b.loc), now.Synced)
		lamps = &then
	}
	l, h, _ := b.lim.Band(lamps, b.settle)
	return sensors.CentiCelsius(l), sensors.CentiCelsius(h)
}

// judgeBand steps the alarms on both sides of the band. Its ends belong to the
// band; the limits that make an excursion urgent are reached at the value
// itself.
func (l limitsLook) judgeBand(en *Enclosure, now sensors.Instant) {
	low, high, _ := l.v.Band(en)
	l.judgeAbove(en, now, high, l.v.BandDead)
	l.judgeBelow(en, now, low, l.v.BandDead)
}

// judgeAbove looks at the band where the frogs live and, whatever that says,
// at the limit to act on at the hottest place.
func (l limitsLook) judgeAbove(en *Enclosure, now sensors.Instant, high, dead int32) {
	s, p := &en.Alarms[alarm.KindAbove], &en.Now
	severe := l.v.HotInput(en, now.Mono, en.Limits.Act, dead)
	if !l.At[en.Index].Act.Rest(now.Mono, severe) {
		l.At[en.Index].Act.Step(alarm.Spec{OnDelay: actOn, OffDelay: severeOff, MaxGap: p.Gap, KeepReturned: -1}, now, severe)
	}
	urgent := l.At[en.Index].Act.Active
	in := l.v.MainInput(en, now.Mono, Upper, high+1, dead+1)
	if urgent && in != alarm.Beyond && severe != alarm.Back {
		in = severe
	}
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Hot)/100, float64(en.Limits.Act)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(high)/100)
	}
	l.out.Find(Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond})
}

func (l limitsLook) judgeBelow(en *Enclosure, now sensors.Instant, low, dead int32) {
	s, p := &en.Alarms[alarm.KindBelow], &en.Now
	severe := l.v.MainInput(en, now.Mono, Lower, en.Limits.Cold, dead)
	if !l.At[en.Index].Cold.Rest(now.Mono, severe) {
		l.At[en.Index].Cold.Step(alarm.Spec{OnDelay: coldOn, OffDelay: severeOff, MaxGap: p.Gap, KeepReturned: -1}, now, severe)
	}
	urgent := l.At[en.Index].Cold.Active
	in := l.v.MainInput(en, now.Mono, Lower, low-1, dead+1)
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Main)/100, float64(en.Limits.Cold)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(low)/100)
	}
	l.out.Find(Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond})
}

func bandFact(v *View, en *Enclosure, s *Alarm) alarm.Fact {
	_, _, band := v.Band(en)
	switch limit := s.Rec.Limit * 100; {
	case s.Kind == alarm.KindAbove && limit >= float64(en.Limits.Act):
		return alarm.Fact{ID: alarm.FactAct}
	case s.Kind == alarm.KindBelow && limit <= float64(en.Limits.Cold):
		return alarm.Fact{ID: alarm.FactCold}
	}
	return alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID), About: band}
}
