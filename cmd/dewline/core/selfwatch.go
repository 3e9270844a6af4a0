package core

import (
	"fmt"
	"strings"
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
}

// watchSelf raises clock-unset and drill-overdue, and notes steps of the clock.
func (c *Core) watchSelf(now sensors.Instant) Effects {
	var e Effects
	w := &c.self
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
		e.add(c.Set(now, rules.Condition{
			Key: rules.Key{Alarm: rules.ClockUnset, Subject: rules.Self}, Active: unset, Priority: rules.Today,
		}))
	}
	if overdue := w.drillOverdue(now); overdue != w.overdue {
		w.overdue = overdue
		e.add(c.Set(now, rules.Condition{
			Key: rules.Key{Alarm: rules.DrillOverdue, Subject: rules.Self}, Active: overdue, Priority: rules.Note,
			Is: alarm.Fact{ID: alarm.FactID(rules.DrillOverdue), For: w.drillEvery},
		}))
	}
	return e
}

// clockStep returns by how much the wall clock moved against running time
// between two moments; 0 for drift.
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

// Duplicate says that another board answers for this room on the broker, by its
// instance; empty ends that.
func (c *Core) Duplicate(now sensors.Instant, instance string) Effects {
	cond := rules.Condition{Key: rules.Key{Alarm: rules.DuplicateRoom, Subject: rules.Self}, Active: instance != "", Priority: rules.Today}
	if instance != "" {
		cond.Is = alarm.Fact{ID: alarm.FactID(rules.DuplicateRoom), About: Short(instance)}
	}
	return c.Set(now, cond)
}

// SentinelSilent says that a sentinel that watched this room is silent, or that it
// is not.
func (c *Core) SentinelSilent(now sensors.Instant, sentinel string, silent bool) Effects {
	return c.Set(now, rules.Condition{Key: rules.Key{Alarm: rules.SentinelSilent, Subject: sentinel}, Active: silent, Priority: rules.Today})
}

// RecordIncomplete says that the record is not whole, and why; or that it is.
func (c *Core) RecordIncomplete(now sensors.Instant, ok bool, why alarm.Fact) Effects {
	return c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.RecordIncomplete, Subject: rules.Self}, Active: !ok, Priority: rules.Today, Is: why,
	})
}

// LeftOut says what parts do not work for want of a secret; none ends that.
func (c *Core) LeftOut(now sensors.Instant, what []alarm.Fact) Effects {
	return c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.ConfigRefused, Subject: alarm.Secrets}, Active: len(what) > 0, Priority: rules.Today,
		Is: alarm.Fact{ID: alarm.FactLeftOut, Count: len(what)}, Evidence: what, Steps: []alarm.Step{alarm.PutSecret},
	})
}

// ConfigRefused says that the file is refused, and what is in force is an earlier
// one or, where that was in force already, the file itself.
func (c *Core) ConfigRefused(now sensors.Instant, why string) Effects {
	first := alarm.MendConfig
	if strings.HasSuffix(why, RestartHint) {
		first = alarm.RestartDewline
	}
	return c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.ConfigRefused, Subject: rules.Self}, Active: why != "", Priority: rules.Today,
		Evidence: firstLines(why, 3), Steps: []alarm.Step{first},
	})
}

// RestartHint ends the reason of a refusal that a restart cures.
const RestartHint = "systemctl restart dewline puts the changed file in force"

// firstLines are at most n lines of s, as facts.
func firstLines(s string, n int) (out []alarm.Fact) {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	for _, line := range lines[:min(n, len(lines))] {
		out = append(out, alarm.Fact{ID: alarm.FactSaid, Note: line})
	}
	if more := len(lines) - n; more > 0 {
		out = append(out, alarm.Fact{ID: alarm.FactMore, Count: more})
	}
	return out
}

// A gap of blindAtLeast is told; the alarm of it stays active for blindShown.
const (
	blindAtLeast = 5 * time.Minute
	blindShown   = 5 * time.Minute
)

// tellBlind raises blind-period for a while once it is known for how long nobody
// watched.
func (c *Core) tellBlind(now sensors.Instant) Effects {
	g, ok := c.engine.TakeGap()
	if !ok || g.For < blindAtLeast {
		return Effects{}
	}
	c.blindEnds = now.Mono + blindShown
	is := alarm.Fact{ID: alarm.FactID(rules.BlindPeriod), For: g.For}
	if !g.From.IsZero() {
		is.ID, is.At = alarm.FactBlindFrom, alarm.LocalTime(g.From.Format(alarm.LocalLayout))
	}
	e := Effects{Events: []event.Event{gapEvent(now, g.From, g.For)}}
	if g.At > 0 {
		e.add(c.desked(c.desk.TimeOff(now, g.At, g.For)))
	}
	e.add(c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.BlindPeriod, Subject: rules.Self}, Active: true, Priority: rules.Today,
		Value: g.For.Minutes(), HasValue: true, Unit: "min", Is: is,
	}))
	return e
}
