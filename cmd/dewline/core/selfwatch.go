package core

import (
	"fmt"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

const (
	// unsetAfter is how long a board may take to set its clock.
	unsetAfter = 10 * time.Minute
	// stepAtLeast is a difference between both clocks that is a step, not drift:
	// a day's drift of a bad crystal (100 ppm) is 9 s.
	stepAtLeast = 10 * time.Second
)

// A selfWatch looks at dewline's own clock and at the drills that are due.
type selfWatch struct {
	drillEvery time.Duration // 0 for no reminder
	drilled    time.Duration // when the last acknowledged drill began; running time begins with the first start
	unsetSince time.Duration
	counting   bool // the clock is unset since unsetSince
	unset      bool // clock-unset is raised
	overdue    bool // drill-overdue is raised
	last       sensors.Instant
	blindEnds  time.Duration // when the blind-period alarm of a restart is let go
}

// watch also notes steps of the clock.
func (w *selfWatch) watch(p *parts, now sensors.Instant) Effects {
	e := w.blind(p, now)
	w.answered(p.desk)
	if step := clockStep(w.last, now); step != 0 {
		e.Events = append(e.Events, clockEvent(now, w.last.Wall, fmt.Sprintf("stepped by %s", step.Round(time.Second))))
	}
	w.last = now
	if now.Synced {
		w.counting = false
	} else if !w.counting {
		w.counting, w.unsetSince = true, now.Mono
	}
	unset := w.counting && now.Mono-w.unsetSince >= unsetAfter
	if unset != w.unset {
		w.unset = unset
		e.add(p.Set(now, rules.Condition{
			Key: alarm.Key{Alarm: alarm.ClockUnset, Subject: rules.Self}, Active: unset, Priority: alarm.Today,
		}))
	}
	if overdue := w.drillOverdue(now); overdue != w.overdue {
		w.overdue = overdue
		e.add(p.Set(now, rules.Condition{
			Key: alarm.Key{Alarm: alarm.DrillOverdue, Subject: rules.Self}, Active: overdue, Priority: alarm.Note,
			Is: alarm.Fact{ID: alarm.FactID(alarm.DrillOverdue), For: w.drillEvery},
		}))
	}
	return e
}

// clockStep is how far the wall clock moved against running time; 0 for drift.
func clockStep(before, after sensors.Instant) time.Duration {
	if before.IsZero() {
		return 0
	}
	step := after.Wall.Sub(before.Wall) - after.Sub(before)
	if step.Abs() < stepAtLeast {
		return 0
	}
	return step
}

// A gap of blindAtLeast is told; the alarm of it stays active for blindShown.
const (
	blindAtLeast = 5 * time.Minute
	blindShown   = 5 * time.Minute
)

// blind ends the alarm of a gap after a while, and tells of the next.
func (w *selfWatch) blind(p *parts, now sensors.Instant) Effects {
	var e Effects
	if w.blindEnds != 0 && now.Mono >= w.blindEnds {
		w.blindEnds = 0
		e.add(p.Set(now, rules.Condition{Key: alarm.Key{Alarm: alarm.BlindPeriod, Subject: rules.Self}}))
	}
	e.add(w.tellBlind(p, now))
	return e
}

// tellBlind waits until it is known for how long nobody watched.
func (w *selfWatch) tellBlind(p *parts, now sensors.Instant) Effects {
	g, ok := p.engine.TakeGap()
	if !ok || g.For < blindAtLeast {
		return Effects{}
	}
	w.blindEnds = now.Mono + blindShown
	is := alarm.Fact{ID: alarm.FactID(alarm.BlindPeriod), For: g.For}
	if !g.From.IsZero() {
		is.ID, is.At = alarm.FactBlindFrom, alarm.LocalTime(g.From.Format(alarm.LocalLayout))
	}
	e := Effects{Events: []event.Event{gapEvent(now, g.From, g.For)}}
	if g.At > 0 {
		e.add(p.desked(p.desk.TimeOff(now, g.At, g.For)))
	}
	e.add(p.Set(now, rules.Condition{
		Key: alarm.Key{Alarm: alarm.BlindPeriod, Subject: rules.Self}, Active: true, Priority: alarm.Today,
		Value: g.For.Minutes(), HasValue: true, Unit: "min", Is: is,
	}))
	return e
}
