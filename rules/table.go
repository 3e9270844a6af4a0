package rules

import "dewline/rules/alarm"

// A judge looks at the room as often as its row says, and tells what it finds.
type judge interface {
	Step(*View, *Out)
}

// A judge may know more of its alarms than their ids say.
type (
	blamer interface {
		// Cause says what is at fault, with the numbers behind it.
		Cause(*View, *Alarm) (Cause, []alarm.Fact)
	}
	teller interface {
		// Fact says what is the matter.
		Fact(*View, *Alarm) alarm.Fact
	}
)

// judges are all there are.
type judges struct {
	probes *probesJudge
}

func newJudges(v *View) judges {
	return judges{probes: newProbesJudge(v)}
}

// A row says when a judge looks, and of which alarms, up to last.
type row struct {
	judge
	due         Due
	first, last alarm.Kind
}

// table is the order in which the judges look at the same moment: each sees what
// those before it found.
func (j *judges) table() []row {
	return []row{
		{j.probes, Arrived | Ticked | Minute | Learn | Hour | Calibrated | Blind, alarm.KindSilent, alarm.KindOverdue},
	}
}

// run asks the judges that look when something is due.
func (e *Engine) run(due Due) {
	e.v.Due = due
	for i := range e.table {
		if r := &e.table[i]; r.due&due != 0 {
			r.Step(e.v, &e.out)
		}
	}
}

// judgeOf is who judges a kind of alarm, nil for nobody.
func (ls *lives) judgeOf(k alarm.Kind) judge {
	for i := range ls.judges {
		if r := &ls.judges[i]; k >= r.first && k <= r.last {
			return r.judge
		}
	}
	return nil
}
