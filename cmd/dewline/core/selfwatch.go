package core

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
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
	drilledOn  time.Time     // the same by a clock that was set, since running time leaves time off out
	setAt      time.Duration // when the clock was set last, or the first look
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
	if now.Synced || w.last.IsZero() {
		w.setAt = now.Mono
	}
	w.last = now
	unset := self(alarm.ClockUnset)
	e.add(p.turn(now, rules.Condition{
		// What an earlier run told goes on until the clock is set.
		Key: unset, Active: !now.Synced && (now.Mono-w.setAt >= unsetAfter || p.active(unset)), Priority: alarm.Today,
	}))
	e.add(p.turn(now, rules.Condition{
		Key: self(alarm.DrillOverdue), Active: w.drillOverdue(now), Priority: alarm.Note,
		Is: alarm.Fact{ID: alarm.FactID(alarm.DrillOverdue), For: w.drillEvery},
	}))
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
		e.add(p.Set(now, rules.Condition{Key: self(alarm.BlindPeriod)}))
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
	e.add(p.desked(p.desk.TimeOff(now, g.At, g.For)))
	e.add(p.Set(now, rules.Condition{
		Key: self(alarm.BlindPeriod), Active: true, Priority: alarm.Today,
		Value: g.For.Minutes(), HasValue: true, Unit: "min", Is: is,
	}))
	return e
}

// answered notes when the newest drill that somebody answered began.
func (w *selfWatch) answered(desk *alert.Desk) {
	if d, ok := desk.LastDrill(); ok && d.Done {
		w.took(&d)
	}
}

func (w *selfWatch) took(d *alert.DrillResult) {
	if d.Acked && d.At.Mono >= w.drilled {
		if w.drilled, w.drilledOn = d.At.Mono, d.At.Wall; !d.At.Synced {
			w.drilledOn = time.Time{}
		}
	}
}

// resumeDrills uses what can be read; the rest is named in the error.
func (w *selfWatch) resumeDrills(desk *alert.Desk, docs []store.Doc) error {
	w.answered(desk)
	var errs error
	for _, doc := range docs {
		var d alert.DrillResult
		if err := json.Unmarshal(doc.Value, &d); err != nil {
			errs = errors.Join(errs, fmt.Errorf("read back drill %s: %w", doc.Key, err))
		} else {
			w.took(&d)
		}
	}
	return errs
}

// drillOverdue reports whether the last acknowledged drill, or else the first
// start, is too long ago. One that nobody acknowledged has proved nothing.
func (w *selfWatch) drillOverdue(now sensors.Instant) bool {
	long := now.Mono-w.drilled > w.drillEvery || now.Synced && !w.drilledOn.IsZero() && now.Wall.Sub(w.drilledOn) > w.drillEvery
	return w.drillEvery > 0 && long
}

// watchStalls raises delivery-stalled while a channel takes nothing over, and ends it
// once this run saw the channel work, or has it no more. Its notice leaves through the
// other channels.
func (p *parts) watchStalls(now sensors.Instant) (e Effects) {
	stalled, channels := p.desk.StalledChannels(now), p.desk.Stats(now).Channels
	for _, name := range stalled {
		cond := rules.Condition{
			Key: alarm.Key{Alarm: alarm.DeliveryStalled, Subject: name}, Active: true, Priority: alarm.Today,
			Is: alarm.Fact{ID: alarm.FactID(alarm.DeliveryStalled), About: name}, Evidence: whyStalled(channels[name]),
		}
		if name == configs.ChannelSounder { // else as the catalogue has them
			cond.Steps = []alarm.Step{alarm.CheckSounder}
		}
		e.add(p.turn(now, cond))
	}
	for _, v := range p.engine.Open() {
		if v.Key.Alarm != alarm.DeliveryStalled || slices.Contains(stalled, v.Key.Subject) {
			continue
		}
		if ch, there := channels[v.Key.Subject]; !there || ch.Worked() {
			e.add(p.turn(now, rules.Condition{Key: v.Key}))
		}
	}
	return e
}

// whyStalled is the last that was heard of a channel, if anything.
func whyStalled(s alert.ChannelStats) []alarm.Fact {
	if why := cmp.Or(s.DownWhy, s.LastError); why != "" {
		return []alarm.Fact{{ID: alarm.FactSaid, Note: why}}
	}
	return nil
}

// bellAfter is how long a wake notice may reach nobody before the sounder of the
// room calls: company is waited for 20 s, and a channel may take some seconds.
const bellAfter = 45 * time.Second

type bell struct {
	since   time.Duration // running time since when a wake notice reaches nobody
	waiting bool
}

// Sounds reports whether the sounder of the room is to call now: a wake notice is
// unanswered, and no other channel carries it to anybody. It says nothing of who
// hears that, so the notice goes on as without it.
func (c *Core) Sounds(now sensors.Instant) bool {
	s := c.roster.cfg.Sounder
	if !s.InUse() {
		return false
	}
	calling, unreached := c.desk.Calling(now)
	if calling && s.When == "always" {
		return true
	}
	if !unreached {
		c.bell = bell{}
		return false
	}
	if !c.bell.waiting {
		c.bell = bell{now.Mono, true}
	}
	return now.Mono-c.bell.since >= bellAfter
}
