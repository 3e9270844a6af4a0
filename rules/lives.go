package rules

import "dewline/rules/alarm"

// lives are the alarms of a room on their way through the lifecycle.
type lives struct {
	v     *View
	cause causes
	specs [alarm.FirstSentinelKind][Wake + 1]alarm.Spec
	self  []*Alarm // alarms about dewline itself, in the order of first use
	gone  []Record
	leap  uint64 // how many onset numbers this run leaves out; see Start
	load  Load   // what the self-measures need
	open  int    // alarms that are not NORM
	out   []Transition
}

// build lays out the lifecycles for a configuration.
func (ls *lives) build(v *View) {
	ls.v, ls.open = v, 0
	for k := range alarm.FirstSentinelKind {
		for p := Note; p <= Wake; p++ {
			ls.specs[k][p] = k.Row().Spec(p, v.Cfg.Rules)
		}
	}
}
