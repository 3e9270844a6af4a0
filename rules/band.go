package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// Delays of the limits that make a band alarm urgent. No keeper has a reason to
// change them.
const (
	actOn     = 5 * time.Minute
	coldOn    = 10 * time.Minute
	severeOff = 10 * time.Minute
)

// judgeBand steps the alarms on both sides of the band. Its ends belong to the
// band; the limits that make an excursion urgent are reached at the value
// itself.
func (l limitsLook) judgeBand(en *room.Enclosure, now sensors.Instant) {
	low, high, _ := l.v.Band(en)
	l.judgeAbove(en, now, high, l.v.BandDead)
	l.judgeBelow(en, now, low, l.v.BandDead)
}

// judgeAbove looks at the band where the frogs live and, whatever that says,
// at the limit to act on at the hottest place.
func (l limitsLook) judgeAbove(en *room.Enclosure, now sensors.Instant, high, dead int32) {
	s, p := &en.Alarms[alarm.KindAbove], &en.Now
	severe := l.v.HotInput(en, now.Mono, en.Limits.Act, dead)
	if !l.At[en.Index].Act.Rest(now.Mono, severe) {
		l.At[en.Index].Act.Step(alarm.Spec{OnDelay: actOn, OffDelay: severeOff, MaxGap: p.Gap, KeepReturned: -1}, now, severe)
	}
	urgent := l.At[en.Index].Act.Active
	in := l.v.MainInput(en, now.Mono, room.Upper, high+1, dead+1)
	if urgent && in != alarm.Beyond && severe != alarm.Back {
		in = severe
	}
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Hot)/100, float64(en.Limits.Act)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(high)/100)
	}
	l.out.Find(room.Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond})
}

func (l limitsLook) judgeBelow(en *room.Enclosure, now sensors.Instant, low, dead int32) {
	s, p := &en.Alarms[alarm.KindBelow], &en.Now
	severe := l.v.MainInput(en, now.Mono, room.Lower, en.Limits.Cold, dead)
	if !l.At[en.Index].Cold.Rest(now.Mono, severe) {
		l.At[en.Index].Cold.Step(alarm.Spec{OnDelay: coldOn, OffDelay: severeOff, MaxGap: p.Gap, KeepReturned: -1}, now, severe)
	}
	urgent := l.At[en.Index].Cold.Active
	in := l.v.MainInput(en, now.Mono, room.Lower, low-1, dead+1)
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Main)/100, float64(en.Limits.Cold)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(low)/100)
	}
	l.out.Find(room.Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond})
}

func bandFact(v *room.View, en *room.Enclosure, s *room.Alarm) alarm.Fact {
	_, _, band := v.Band(en)
	switch limit := s.Rec.Limit * 100; {
	case s.Kind == alarm.KindAbove && limit >= float64(en.Limits.Act):
		return alarm.Fact{ID: alarm.FactAct}
	case s.Kind == alarm.KindBelow && limit <= float64(en.Limits.Cold):
		return alarm.Fact{ID: alarm.FactCold}
	}
	return alarm.Fact{ID: alarm.FactID(s.Kind.Row().ID), About: band}
}
