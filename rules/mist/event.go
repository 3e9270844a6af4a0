package mist

import (
	"time"

	"dewline/rules/climate"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// mistFact tells how the mist that was due turned out.
func (l look) mistFact(en *room.Enclosure, now sensors.Instant, v climate.MistVerdict) {
	m := event.Mist{Enclosure: en.Cfg.ID, Due: now.Wall.Add(l.At[en.Index].DueAt - now.Mono).Round(time.Second), Verdict: event.MistUnclear}
	switch v {
	case climate.MistSeen:
		m.Verdict = event.MistGiven
	case climate.MistWeak:
		m.Verdict = event.MistWeak
	case climate.MistMissed:
		m.Verdict = event.MistMissed
	}
	if p, ok := l.At[en.Index].Watch.Pulse(&en.St.Mist); ok && v != climate.MistMissed {
		m.Start, m.Before, m.Peak, m.Rise = l.v.Wall(now, p.Start), p.Before, p.Peak, p.Rise
	}
	l.out.Tell(now, m)
}

// pulseFact tells of a pulse at its peak that no mist is due for.
func (l look) pulseFact(en *room.Enclosure, now sensors.Instant) {
	if p, ok := en.St.Mist.Current(); ok && !l.At[en.Index].HasDue {
		l.out.Tell(now, event.Mist{Enclosure: en.Cfg.ID, Verdict: event.MistUnplanned, Start: l.v.Wall(now, p.Start), Before: p.Before, Peak: p.Peak, Rise: p.Rise})
	}
}

// dryFact tells how the enclosure dried after its last pulse.
func (l look) dryFact(en *room.Enclosure, now sensors.Instant, p climate.Pulse) {
	d := event.DryDown{Enclosure: en.Cfg.ID, Start: l.v.Wall(now, p.Start), Wet: p.Wet.Seconds(), HalfLife: p.HalfLife.Seconds()}
	if _, _, _, ok := en.St.Dry.Trend(); ok && p.HalfLife > 0 {
		d.Trend = map[climate.DryHint]string{climate.DrySlower: "slower", climate.DryFaster: "faster", climate.DryUsual: "as usual"}[en.St.Dry.Hint()]
	}
	l.out.Tell(now, d)
}
