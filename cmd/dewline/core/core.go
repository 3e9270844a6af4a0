// Package core is every decision of dewline as one pure step: readings, acts,
// the results of sending and the passing of time go in, effects come out. It
// joins the rules with the book of notices, watches dewline itself (time off,
// the clock, drills, certificates, delivery) and makes the events of the log.
package core

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// A Core is one single-threaded value. It does no I/O and reads no clock, so the
// same inputs give the same effects.
type Core struct {
	*parts
	neighbours
	roster    roster
	refreshAt time.Duration // when open notices next learn of drift
	self      selfWatch
	refused   refusals
	bell      bell
}

// New returns a Core that has seen nothing yet. ackLink makes the link
// that a notice carries for answering; nil for none.
func New(cfg *configs.Config, ackLink func(noticeID string, version int) string) *Core {
	c := &Core{roster: roster{cfg: cfg, ackLink: ackLink}, self: selfWatch{drillEvery: cfg.Drill.Every.D()}}
	c.parts = &parts{rules.New(cfg), alert.NewDesk(c.roster.options())}
	c.neighbours = neighbours{parts: c.parts, sentinels: map[string]time.Duration{}}
	return c
}

// Start makes the numbers of onsets and versions unlike those of any other run.
func (c *Core) Start(leap uint64) { c.engine.Start(leap); c.desk.Start(leap) }

// Reading takes one reading.
func (c *Core) Reading(r sensors.Reading) Effects {
	return c.after(r.At, c.engine.Step(&r))
}

// Contact takes what a contact says.
func (c *Core) Contact(s sensors.Contact) Effects {
	return c.after(s.At, c.engine.Contact(s))
}

// Tick lets time pass. Call it at least once a poll.
func (c *Core) Tick(now sensors.Instant) Effects {
	e := c.after(now, c.engine.Tick(now))
	e.add(c.roster.watch(c.parts, now))
	e.add(c.self.watch(c.parts, now))
	e.add(c.watchStalls(now))
	e.add(c.neighbours.watch(now))
	e.Events = append(e.Events, c.refused.flush(now)...)
	if now.Mono >= c.refreshAt {
		c.refreshAt = now.Mono + refreshEvery
		open := c.engine.Open()
		e.add(c.desked(c.desk.Refresh(now, open, c.engine.EnclosuresOf(open))))
	}
	e.add(c.desked(c.desk.Tick(now)))
	return e
}

// refreshEvery is how often open notices learn of values that drift.
const refreshEvery = time.Minute

// Act carries out a person's decision about alarms, or refuses it.
func (c *Core) Act(now sensors.Instant, a rules.Action) (Effects, error) {
	e, err := c.act(now, &a)
	if err != nil {
		e.Events = c.refused.pass(now, refusedEvent(now, a.By, string(a.Key.Alarm)+"/"+a.Key.Subject, string(a.Kind)+": "+err.Error()))
	}
	return e, err
}

func (c *Core) act(now sensors.Instant, a *rules.Action) (Effects, error) {
	if a.Kind == alert.Duty || a.Kind == alert.DutyOver {
		return c.roster.set(c.parts, now, a)
	}
	ts, err := c.engine.Act(now, *a)
	if err != nil {
		return Effects{}, err
	}
	e := Effects{Events: []event.Event{actEvent(now, a, ts)}}
	done := c.after(now, ts)
	e.add(done)
	if en := c.unseen(a.Key.Subject); a.Kind == rules.TakeOut && en != "" {
		e.add(c.desked(c.desk.Unseen(now, a, en)))
	} else {
		e.add(c.desked(c.desk.Acted(now, a, done.Transitions)))
	}
	return e, nil
}

// AcknowledgeNotice acknowledges a version of a notice, 0 for what was handed
// over so far, and every alarm that it told of. What is answered is not answered
// again.
func (c *Core) AcknowledgeNotice(now sensors.Instant, id string, version int, by, why string) (Effects, error) {
	var keys []alarm.Key
	var fx alert.Effects
	var err error
	if who := c.desk.AnsweredBy(id); who != "" {
		err = fmt.Errorf("already acknowledged by %s", who)
	} else {
		keys, fx, err = c.desk.Acknowledge(now, id, version, by)
	}
	e := c.desked(fx)
	if err != nil {
		e.Events = append(e.Events, c.refused.pass(now, refusedEvent(now, by, id, "acknowledge: "+err.Error()))...)
		return e, fmt.Errorf("acknowledge notice %s: %w", id, err)
	}
	for _, k := range keys {
		one, err := c.act(now, &rules.Action{Kind: rules.Acknowledge, Key: k, By: by, Why: why})
		// An alarm that went back to normal meanwhile has nothing to acknowledge.
		if err != nil && !errors.Is(err, rules.ErrNotNow) && !errors.Is(err, rules.ErrNoAlarm) {
			return e, err
		}
		if err == nil {
			e.add(one)
		}
	}
	return e, nil
}

// Result takes in what became of a delivery.
func (c *Core) Result(now sensors.Instant, r alert.SendResult) Effects {
	return c.desked(c.desk.Result(now, r))
}

// ChannelState takes in that a channel is connected, with nil, or why it is not.
func (c *Core) ChannelState(now sensors.Instant, name string, down error) Effects {
	if name == "mqtt" {
		c.connected = down == nil
	}
	return c.desked(c.desk.ChannelState(now, name, down))
}

// Retry sends at once what waits because one of these channels failed, which
// were built anew.
func (c *Core) Retry(now sensors.Instant, channels []string) Effects {
	return c.desked(c.desk.Renewed(now, channels...))
}

// Drill sends a test notice to a person, "" for the first, and returns its id.
func (c *Core) Drill(now sensors.Instant, person, by string) (string, Effects, error) {
	id, fx, err := c.desk.NewDrill(now, person)
	if err != nil {
		return "", Effects{}, fmt.Errorf("drill: %w", err)
	}
	e := c.desked(fx)
	e.Events = append(e.Events, drillEvent(now, by, person, id))
	return id, e, nil
}

// Calibrated tells the rules when probes were last calibrated.
func (c *Core) Calibrated(now sensors.Instant, cals []room.Calibration) Effects {
	var e Effects
	for _, cal := range cals {
		e.add(c.after(now, c.engine.SetCalibration(now, cal)))
	}
	return e
}

// Reconfigure changes to another complete configuration. Everything that is
// still there keeps its state and timers.
func (c *Core) Reconfigure(now sensors.Instant, cfg *configs.Config, ackLink func(string, int) string) Effects {
	c.roster.cfg, c.roster.ackLink = cfg, ackLink
	c.self.drillEvery = cfg.Drill.Every.D()
	e := Effects{Docs: c.roster.turn(now)}
	e.add(c.desked(c.desk.Reconfigure(now, c.roster.options())))
	hot, lethal := c.hot()
	e.add(c.removed(now, c.engine.Reconfigure(cfg, now)))
	_, next := c.hot()
	hot = slices.DeleteFunc(hot, func(v rules.AlarmView) bool { return next[v.Key.Subject] <= lethal[v.Key.Subject] })
	e.add(c.desked(c.desk.Raised(now, hot)))
	return e
}

func (c *Core) hot() (hot []rules.AlarmView, lethal map[string]float64) {
	for _, v := range c.engine.Open() {
		if row, _ := alarm.Find(v.Key.Alarm); row.Heat && v.State.Annunciated() && v.Priority > alarm.Note {
			hot = append(hot, v)
		}
	}
	lethal = map[string]float64{}
	for _, v := range c.engine.EnclosuresOf(hot) {
		lethal[v.ID] = v.Lethal
	}
	return hot, lethal
}

// removed is after for what may have ended since the configuration names its
// enclosure no longer, which everybody hears of.
func (c *Core) removed(now sensors.Instant, ts []rules.Transition) Effects {
	e := c.after(now, ts)
	e.add(c.desked(c.desk.Dropped(now, e.Transitions)))
	return e
}

// Alarm returns an alarm that is not NORM, false where it is.
func (c *Core) Alarm(k alarm.Key) (rules.AlarmView, bool) { return c.engine.Alarm(k) }

// Open returns the alarms that are not NORM.
func (c *Core) Open() []rules.AlarmView { return c.engine.Open() }

// Enclosures returns what is known of every enclosure.
func (c *Core) Enclosures() []rules.EnclosureView { return c.engine.Enclosures() }

// WhatIf says what every enclosure would come to under an assumption.
func (c *Core) WhatIf(a rules.Assumption) []rules.Prospect { return c.engine.WhatIf(a) }

// Settled reports whether nothing is on its way, for a source whose time can outrun channels.
func (c *Core) Settled() bool { return c.desk.Settled() }

// Fill copies what the rules and the desk know into a snapshot.
func (c *Core) Fill(now sensors.Instant, s *alert.Snapshot) {
	s.At = now
	s.Enclosures = c.engine.Enclosures()
	s.Probes = c.engine.Probes()
	s.Contacts = c.engine.Contacts()
	s.Alarms = c.engine.Open()
	s.KPI = c.engine.KPI()
	s.Telling = c.desk.Telling(now)
	s.OnDuty = c.roster.First
}

// unseen is the enclosure in which nobody sees heat since a probe is out of service:
// somebody lives there, and no other probe of it is in service. Empty for none.
func (c *Core) unseen(probe string) (enclosure string) {
	for _, p := range c.roster.cfg.Probes {
		if p.ID == probe && p.MeasuresTemperature() {
			enclosure = p.Enclosure
		}
	}
	sees := func(p configs.Probe) bool { return p.MeasuresTemperature() && !c.out(alarm.ProbeSilent, p.ID) }
	if enclosure == "" || c.out(alarm.LethalLimit, enclosure) || slices.ContainsFunc(c.roster.cfg.ProbesOf(enclosure), sees) {
		return ""
	}
	return enclosure
}

func (c *Core) out(a alarm.ID, subject string) bool {
	v, ok := c.engine.Alarm(alarm.Key{Alarm: a, Subject: subject})
	return ok && v.State == alarm.OutOfService
}
