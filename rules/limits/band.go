package limits

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
)

// What an excursion from the band is worth. Delays are windows, as those that a
// keeper sets; no keeper has a reason to change these.
const (
	actOn     = 5 * time.Minute // at the limit to act on, to wake
	coldOn    = 10 * time.Minute
	severeOff = 10 * time.Minute

	// Below the day's top a warm night is for the week, and so is a day that is a
	// little above it for a while (common practice, no source).
	topMore    = 50            // hundredths of °C above the day's top, for the band's on-delay, are for today
	topLong    = 3 * time.Hour // and less than that after so long
	topUnusual = 1.0           // °C off what is usual at this hour, on a rise or a fall, at once
	// A cool day is for the week as long as it is a night's temperature, and dart
	// frogs at 20 °C at any hour are at home; so is a night that is a little below its
	// band (common practice, no source). What falls is for today.
	coolLow   = 2000 // hundredths of °C
	coolNight = 50   // hundredths of °C
)

// judgeBand steps the alarms on both sides of the band. Its ends belong to the
// band; the limits that make an excursion urgent are reached at the value
// itself.
func (l look) judgeBand(en *room.Enclosure) {
	low, high, _ := l.v.Band(en)
	if !l.restsAbove(en, high) {
		l.judgeAbove(en, high, l.v.BandDead)
	}
	if !l.restsBelow(en, low) {
		l.judgeBelow(en, low, l.v.BandDead)
	}
}

// restsAbove reports whether an enclosure is, as nearly always, under the top of its band by
// the deadband, as it was before: then every limit above is at rest.
func (l look) restsAbove(en *room.Enclosure, high int32) bool {
	s, p, dead, own, now := &en.Alarms[alarm.KindAbove], &en.Now, l.v.BandDead, &l.At[en.Index], l.v.At.Mono
	if !p.HasTemp || p.Doubt || p.Main > high-dead || p.Hot > en.Limits.Act-dead || !s.Rec.Life.Rest(now, alarm.Back) ||
		!own.Act.Rest(now, alarm.Back) || !own.Top.Rest(now, alarm.Back) || !own.Long.Rest(now, alarm.Back) {
		return false
	}
	s.Against(float64(p.Main)/100, float64(high)/100)
	return true
}

// restsBelow is restsAbove for the low end of the band.
func (l look) restsBelow(en *room.Enclosure, low int32) bool {
	s, p, now := &en.Alarms[alarm.KindBelow], &en.Now, l.v.At.Mono
	if !p.HasTemp || p.Doubt || p.Main < max(low, en.Limits.Cold)+l.v.BandDead || !s.Rec.Life.Rest(now, alarm.Back) ||
		!l.At[en.Index].Cold.Rest(now, alarm.Back) {
		return false
	}
	s.Against(float64(p.Main)/100, float64(low)/100)
	return true
}

// step follows one limit beside those of the alarms and reports whether it has been
// passed for on.
func (l look) step(r *alarm.Record, in alarm.Input, gap, on, off time.Duration) bool {
	if r.Rest(l.v.At.Mono, in) { // before a specification is made for nothing
		return r.Active
	}
	return r.Follow(&alarm.Spec{OnDelay: on, OffDelay: off, MaxGap: gap, Window: true}, l.v.At, in)
}

// judgeAbove looks at the band where the frogs live and, whatever that says,
// at the limit to act on at the hottest place.
func (l look) judgeAbove(en *room.Enclosure, high, dead int32) {
	s, p, own := &en.Alarms[alarm.KindAbove], &en.Now, &l.At[en.Index]
	severe := l.v.HotInput(en, l.v.At.Mono, en.Limits.Act, dead)
	urgent := l.step(&own.Act, severe, p.Gap, actOn, severeOff)
	in := l.v.MainInput(en, l.v.At.Mono, room.Upper, high+1, dead+1)
	if urgent && in != alarm.Beyond && severe != alarm.Back {
		in = severe
	}
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Hot)/100, float64(en.Limits.Act)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(high)/100)
	}
	f := room.Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond, Severe: urgent}
	f.Mild = !l.tooWarm(en, dead) || own.Warm.has(s, l.v.At.Mono, p.Main)
	f.Hold = f.Mild && !f.Urgent && own.Warm.told(l.v.At.Mono, p.Main)
	l.out.Find(f)
	own.Warm.follow(s, l.v.At.Mono, p.Main)
}

// tooWarm reports whether the enclosure is warmer than its days may be, by more than
// a little, for long, or on a rise.
func (l look) tooWarm(en *room.Enclosure, dead int32) bool {
	own, gap, r := &l.At[en.Index], en.Now.Gap, &l.v.Cfg.Rules
	day := max(en.Limits.DayHigh, en.Limits.NightHigh)
	far := l.step(&own.Top, l.v.MainInput(en, l.v.At.Mono, room.Upper, day+topMore, dead), gap, r.BandOnDelay.D(), r.BandOffDelay.D())
	above := l.v.MainInput(en, l.v.At.Mono, room.Upper, day+1, dead)
	long := l.step(&own.Long, above, gap, topLong, r.BandOffDelay.D())
	if far || long || above != alarm.Beyond {
		return far || long
	}
	if slope, ok := en.St.Trend.Slope(); !ok || !slope.Rises(room.Climbs) {
		return false
	}
	unusual, known := l.unusual(en, 1)
	return known && unusual
}

// unusual reports whether the room, or the enclosure beside it, is warmer than it
// usually is at this hour, or cooler by a side of -1, where that is known.
func (l look) unusual(en *room.Enclosure, side float64) (unusual, known bool) {
	r, c := l.v.RoomCase(l.v.At), l.v.CaseOf(en, l.v.At)
	if !r.HasTemp {
		return false, false
	}
	room, own := side*(r.Temp-r.Usual), side*(c.Temp-r.Temp-c.Offset)
	return r.HasUsual && room >= topUnusual || c.HasOffset && own >= topUnusual, r.HasUsual && c.HasOffset
}

func (l look) judgeBelow(en *room.Enclosure, low, dead int32) {
	s, p := &en.Alarms[alarm.KindBelow], &en.Now
	severe := l.v.MainInput(en, l.v.At.Mono, room.Lower, en.Limits.Cold, dead)
	urgent := l.step(&l.At[en.Index].Cold, severe, p.Gap, coldOn, severeOff)
	in := l.v.MainInput(en, l.v.At.Mono, room.Lower, low-1, dead+1)
	switch {
	case urgent && p.HasTemp:
		s.Against(float64(p.Main)/100, float64(en.Limits.Cold)/100)
	case p.HasTemp:
		s.Against(float64(p.Main)/100, float64(low)/100)
	}
	f := room.Finding{Alarm: s, In: in, Gap: p.Gap, Urgent: urgent && severe == alarm.Beyond, Severe: urgent}
	own := &l.At[en.Index].Cool
	f.Mild = (in != alarm.Back || s.Rec.Life.Active) && (l.coolOnly(en, low) || own.has(s, l.v.At.Mono, -p.Main))
	f.Hold = f.Mild && !f.Urgent && own.told(l.v.At.Mono, -p.Main)
	l.out.Find(f)
	own.follow(s, l.v.At.Mono, -p.Main)
}

// coolOnly reports whether an enclosure below its band is no cooler than it may be at
// other hours, and does not fall, or no further than each day.
func (l look) coolOnly(en *room.Enclosure, low int32) bool {
	night := min(en.Limits.NightLow, en.Limits.DayLow)
	least := max(night, coolLow)
	if low == night {
		least = min(least, night-coolNight)
	}
	if en.Now.Main < least {
		return false
	}
	if slope, ok := en.St.Trend.Slope(); !ok || !slope.Falls(room.Climbs) {
		return true
	}
	unusual, known := l.unusual(en, -1)
	return known && !unusual
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
