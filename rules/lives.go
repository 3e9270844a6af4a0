package rules

import (
	"time"

	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// lives are the alarms of a room on their way through the lifecycle.
type lives struct {
	v     *room.View
	specs [alarm.FirstSentinelKind][alarm.Wake + 1]alarm.Spec
	self  []*room.Alarm // alarms about dewline itself, in the order of first use
	gone  []room.Record
	leap  uint64                // how many onset numbers this run leaves out; see Start
	load  Load                  // what the self-measures need
	judge [alarm.NumKinds]judge // who judges it, nil for nobody
	out   []Transition
	facts []event.Event // that nobody took yet
}

func (ls *lives) build(v *room.View, table []row) {
	ls.v = v
	for _, r := range table {
		for _, k := range r.kinds {
			ls.judge[k] = r.judge
		}
	}
	for k := range alarm.FirstSentinelKind {
		for p := alarm.Note; p <= alarm.Wake; p++ {
			ls.specs[k][p] = k.Row().Spec(p, v.Cfg.Rules)
		}
	}
}

func (ls *lives) spec(s *room.Alarm, gap time.Duration) alarm.Spec {
	sp := ls.specs[s.Kind][min(s.Rec.Priority, alarm.Wake)]
	sp.MaxGap = gap
	return sp
}

// opened counts alarms that are not NORM.
func (ls *lives) opened(s *room.Alarm, n int) {
	ls.v.Open += n
	switch s.Kind.Row().Of {
	case alarm.OfEnclosure:
		ls.v.Enclosures[s.Index].Open.Turn(s.Kind)
	case alarm.OfProbe:
		ls.v.Probes[s.Index].Open.Turn(s.Kind)
	case alarm.OfContact:
		ls.v.Contacts[s.Index].Open.Turn(s.Kind)
	}
}

// number gives an alarm that leaves NORM the number of its onset.
func (ls *lives) number(s *room.Alarm, c alarm.Change) {
	if c.From == alarm.Norm && c.To != alarm.Norm && !s.Numbered {
		s.Numbered = true
		s.Rec.Life.Seq += ls.leap
	}
}

// each visits every alarm in a fixed order.
func (ls *lives) each(f func(*room.Alarm)) {
	for all := range ls.v.Alarms() {
		for k := range all {
			f(&all[k])
		}
	}
	for _, s := range ls.self {
		f(s)
	}
}

// eachOpen visits every alarm that is not NORM in the same order.
func (ls *lives) eachOpen(f func(*room.Alarm)) {
	if ls.v.Open == 0 {
		return
	}
	for all, open := range ls.v.Alarms() {
		for k := range open.All() {
			f(&all[k-all[0].Kind])
		}
	}
	for _, s := range ls.self {
		if s.Open() {
			f(s)
		}
	}
}

// Self is the subject of alarms about dewline itself.
const Self = "dewline"

// selfAlarm finds or makes the alarm about a part of dewline.
func (ls *lives) selfAlarm(k alarm.Kind, subject string) *room.Alarm {
	if subject == "" {
		subject = Self
	}
	for _, s := range ls.self {
		if s.Kind == k && s.Rec.Key.Subject == subject {
			return s
		}
	}
	s := room.MakeAlarm(k, -1, subject)
	ls.self = append(ls.self, &s)
	return &s
}

// mostFacts are kept for somebody who never asks.
const mostFacts = 10_000

// Tell keeps a fact for the log.
func (ls *lives) Tell(now sensors.Instant, b event.Body) {
	if len(ls.facts) < mostFacts {
		ls.facts = append(ls.facts, event.New(now, b))
	}
}

// A Transition is one step of one alarm's life. From equals To where only what
// is known about an open alarm changed (priority, cause, value, detail).
type Transition struct {
	alarm.Onset
	At       sensors.Instant
	From, To alarm.State
	By       string // who acted, for acknowledge, shelve and the like
	Why      string
}
