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
	detailer interface {
		// Detail adds what is excused or not known.
		Detail(*View, *Alarm, *Detail)
	}
	teller interface {
		// Fact says what is the matter.
		Fact(*View, *Alarm) alarm.Fact
	}
)

// judges are all there are.
type judges struct {
	probes *probesJudge
	limits *limitsJudge
	mist   *mistJudge
}

func newJudges(v *View) judges {
	return judges{newProbesJudge(v), newLimitsJudge(v), newMistJudge(v)}
}

// A row says when a judge looks, and which alarms are its.
type row struct {
	judge
	due   Due
	kinds []alarm.Kind
}

// table is the order in which the judges look at the same moment: each sees what
// those before it found.
func (j *judges) table() []row {
	return []row{
		{j.probes, Blind | Calibrated | Arrived | Ticked | Minute | Learn | Hour, []alarm.Kind{alarm.KindSilent, alarm.KindFrozen,
			alarm.KindWet, alarm.KindJump, alarm.KindDisagrees, alarm.KindNodeClock, alarm.KindOverdue}},
		{j.limits, Blind | Settle | Arrived | Quick, []alarm.Kind{alarm.KindLethal, alarm.KindAbove, alarm.KindBelow, alarm.KindFloor}},
		{j.mist, Blind | Quick | Schedule, []alarm.Kind{alarm.KindMistMissing, alarm.KindMistWeak, alarm.KindMistEndless, alarm.KindDryDown}},
		{doorJudge{}, Quick, []alarm.Kind{alarm.KindDoorAjar}},
		{airJudge{}, Arrived | Slow | Learn, nil},
		{nightJudge{}, Slow, []alarm.Kind{alarm.KindNightDrop}},
		{&lampsJudge{}, Slow, []alarm.Kind{alarm.KindLampStuck}},
		{heatJudge{}, Slow | Ticked, []alarm.Kind{alarm.KindAhead, alarm.KindExposure}},
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
