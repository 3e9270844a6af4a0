package rules

import (
	"dewline/rules/alarm"
	"dewline/rules/cause"
	"dewline/rules/event"
	"dewline/rules/room"
)

// lives are the alarms of a room on their way through the lifecycle.
type lives struct {
	v     *room.View
	cause cause.Of
	specs [alarm.FirstSentinelKind][Wake + 1]alarm.Spec
	self  []*room.Alarm // alarms about dewline itself, in the order of first use
	gone  []room.Record
	leap  uint64                // how many onset numbers this run leaves out; see Start
	load  Load                  // what the self-measures need
	judge [alarm.NumKinds]judge // who judges it, nil for nobody
	out   []Transition
	facts []event.Event // that nobody took yet
}

// build lays out the lifecycles for a configuration.
func (ls *lives) build(v *room.View, table []row) {
	ls.v = v
	for _, r := range table {
		for _, k := range r.kinds {
			ls.judge[k] = r.judge
		}
	}
	for k := range alarm.FirstSentinelKind {
		for p := Note; p <= Wake; p++ {
			ls.specs[k][p] = k.Row().Spec(p, v.Cfg.Rules)
		}
	}
}

// Find steps an alarm with what a judge found.
func (ls *lives) Find(f room.Finding) {
	a, now := f.Alarm, ls.v.At
	if a.Rec.Life.Rest(now.Mono, f.In) {
		return
	}
	sp := ls.spec(a, f.Gap)
	if f.AtOnce {
		sp.OffDelay = 0
	}
	if f.AtOnce || f.Urgent {
		sp.OnDelay = 0
	}
	if f.Slow > 0 {
		sp.OnDelay *= f.Slow
	}
	was := a.Rec.Life.Active
	c := a.Rec.Life.Step(sp, now, f.In)
	if !was && a.Rec.Life.Active {
		a.Afresh()
		if f.Urgent {
			a.Rec.Priority = Wake
		}
	}
	if c.Changed() {
		ls.emit(a, now, c, "", c.Why)
	}
	if f.Urgent && a.Rec.Life.Active {
		ls.Raise(a, Wake)
	}
}
