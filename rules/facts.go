package rules

import (
	"time"

	"dewline/rules/climate"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// Facts returns what the estimators found since the last call: mists, dry-downs,
// nights and doses. Each is told once, by the values that the alarms are judged by.
func (e *Engine) Facts() []event.Event {
	out := e.lives.facts
	e.lives.facts = nil
	return out
}

// mostFacts are kept for somebody who never asks.
const mostFacts = 10_000

// Tell keeps a fact for the log.
func (ls *lives) Tell(now sensors.Instant, b event.Body) {
	if len(ls.facts) < mostFacts {
		ls.facts = append(ls.facts, event.New(now, b))
	}
}

// wall is the time of day of a running time that the estimators know.
func wall(v *room.View, now sensors.Instant, at time.Duration) time.Time {
	return now.Wall.Add(at - v.EstAt(now.Mono)).Round(time.Second)
}

// mistFact tells how the mist that was due turned out.
func (l mistLook) mistFact(en *room.Enclosure, now sensors.Instant, v climate.MistVerdict) {
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
		m.Start, m.Before, m.Peak, m.Rise = wall(l.v, now, p.Start), p.Before, p.Peak, p.Rise
	}
	l.out.Tell(now, m)
}

// pulseFact tells of a pulse at its peak that no mist is due for.
func (l mistLook) pulseFact(en *room.Enclosure, now sensors.Instant) {
	if p, ok := en.St.Mist.Current(); ok && !l.At[en.Index].HasDue {
		l.out.Tell(now, event.Mist{Enclosure: en.Cfg.ID, Verdict: event.MistUnplanned, Start: wall(l.v, now, p.Start), Before: p.Before, Peak: p.Peak, Rise: p.Rise})
	}
}

// dryFact tells how the enclosure dried after its last pulse.
func (l mistLook) dryFact(en *room.Enclosure, now sensors.Instant, p climate.Pulse) {
	d := event.DryDown{Enclosure: en.Cfg.ID, Start: wall(l.v, now, p.Start), Wet: p.Wet.Seconds(), HalfLife: p.HalfLife.Seconds()}
	if _, _, _, ok := en.St.Dry.Trend(); ok && p.HalfLife > 0 {
		d.Trend = map[climate.DryHint]string{climate.DrySlower: "slower", climate.DryFaster: "faster", climate.DryUsual: "as usual"}[en.St.Dry.Hint()]
	}
	l.out.Tell(now, d)
}

// nightFact tells of the night that has just ended.
func (l nightLook) nightFact(en *room.Enclosure, now sensors.Instant) {
	r, ok := en.St.Night.Report()
	if !ok {
		return
	}
	n := event.Night{Enclosure: en.Cfg.ID, DayMin: r.DayMin, DayMax: r.DayMax, NightMin: r.NightMin, NightMax: r.NightMax}
	if r.Complete {
		n.Drop = &r.Drop
	}
	l.out.Tell(now, n)
}

// How often a dose is told: while it grows, once it stopped, and while it is left.
const (
	doseGrows = time.Hour
	doseEnds  = 10 * time.Minute
	doseLeft  = 24 * time.Hour
)

// doseFact tells of the dose: what is left, and what was added.
func (l heatLook) doseFact(en *room.Enclosure, now sensors.Instant, share float64) {
	d, t := &en.St.Dose, &en.St.DoseTold
	if d.DegreeHours < t.Hours || d.Unknown < t.Unseen { // it was forgotten, and may have begun anew
		t.Hours, t.Unseen = 0, 0
	}
	t.Peak = max(t.Peak, share)
	since := now.Mono - t.At
	grew := d.DegreeHours > t.Hours || d.Unknown > t.Unseen
	cool := float64(en.Now.Hot)/100 < en.DoseLimits.Boundary
	switch {
	case t.At == 0 && grew, grew && since >= doseGrows, grew && cool && since >= doseEnds:
	case share > 0 && since >= doseLeft, share == 0 && t.Share > 0:
	default:
		return
	}
	l.out.Tell(now, event.Dose{Enclosure: en.Cfg.ID, Share: share, Peak: t.Peak, DegreeHours: d.DegreeHours - t.Hours, Unseen: (d.Unknown - t.Unseen).Seconds()})
	*t = room.DoseTold{At: now.Mono, Hours: d.DegreeHours, Unseen: d.Unknown, Share: share}
}
