package daemon

import (
	"fmt"
	"time"

	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
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
		e.Journal = append(e.Journal, store.JournalEntry{
			At: now, Kind: "clock-step", Who: "dewline", Old: w.last.Wall.UTC().Format(time.RFC3339),
			New: now.Wall.UTC().Format(time.RFC3339), Why: fmt.Sprintf("stepped by %s", step.Round(time.Second)),
		})
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
			Text:        "The board's clock is not set: rules of day and night do not judge, and times on record may be wrong.",
			FirstAction: "Look at the board's network and its time service.",
		}))
	}
	if overdue := c.drillOverdue(now); overdue != w.overdue {
		w.overdue = overdue
		e.add(c.Set(now, rules.Condition{
			Key: rules.Key{Alarm: rules.DrillOverdue, Subject: rules.Self}, Active: overdue, Priority: rules.Note,
			Text:        fmt.Sprintf("No drill was acknowledged for more than %.0f days: nobody knows whether a notice gets through.", w.drillEvery.Hours()/24),
			FirstAction: "Run dewline drill and acknowledge it on the phone.",
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
