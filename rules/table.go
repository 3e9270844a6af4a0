package rules

import (
	"dewline/rules/air"
	"dewline/rules/alarm"
	"dewline/rules/contact"
	"dewline/rules/door"
	"dewline/rules/heat"
	"dewline/rules/lamps"
	"dewline/rules/limits"
	"dewline/rules/mist"
	"dewline/rules/night"
	"dewline/rules/probes"
	"dewline/rules/room"
)

// A judge looks at the room as often as its row says, and tells what it finds.
type judge interface {
	Step(*room.View, *room.Out)
}

// A judge may know more of its alarms than their ids say.
type (
	blamer interface {
		// Cause says what is at fault, with the numbers behind it.
		Cause(*room.View, *room.Alarm) (alarm.Cause, []alarm.Fact)
	}
	detailer interface {
		// Detail adds what is excused or not known.
		Detail(*room.View, *room.Alarm, *alarm.Detail)
	}
	teller interface {
		// Fact says what is the matter.
		Fact(*room.View, *room.Alarm) alarm.Fact
	}
)

// judges are all there are.
type judges struct {
	probes *probes.Judge
	limits *limits.Judge
	mist   *mist.Judge
}

func newJudges(v *room.View) judges {
	return judges{probes.New(v), limits.New(v), mist.New(v)}
}

// A row says when a judge looks, and which alarms are its.
type row struct {
	judge
	due   room.Due
	kinds kinds
}

type kinds []alarm.Kind

// table is the order in which the judges look at the same moment: each sees what
// those before it found.
func (j *judges) table() []row {
	return []row{
		{j.probes, room.Blind | room.Calibrated | room.Arrived | room.Ticked | room.Minute | room.Learn | room.Hour,
			kinds{alarm.KindSilent, alarm.KindLossy, alarm.KindFrozen, alarm.KindWet, alarm.KindJump, alarm.KindDisagrees, alarm.KindNodeClock, alarm.KindOverdue}},
		{contact.Judge{}, room.Touched | room.Ticked, kinds{alarm.KindContactMains, alarm.KindContactPump, alarm.KindContactReservoir,
			alarm.KindContactDoor, alarm.KindContactBattery, alarm.KindContactSilent}},
		{j.limits, room.Blind | room.Arrived | room.Quick,
			kinds{alarm.KindLethal, alarm.KindAbove, alarm.KindBelow, alarm.KindFloor}},
		{j.mist, room.Blind | room.Quick | room.Schedule,
			kinds{alarm.KindMistMissing, alarm.KindMistWeak, alarm.KindMistEndless, alarm.KindDryDown}},
		{door.Judge{}, room.Quick, kinds{alarm.KindDoorAjar}},
		{air.Judge{}, room.Arrived | room.Slow | room.Learn, nil},
		{night.Judge{}, room.Slow, kinds{alarm.KindNightDrop}},
		{&lamps.Judge{}, room.Slow | room.Schedule, kinds{alarm.KindLampStuck}},
		{heat.Judge{}, room.Slow | room.Ticked, kinds{alarm.KindAhead, alarm.KindExposure}},
	}
}

// ask lists the judges by what they look at, in the order of the table.
func ask(table []row) (asked [room.NumDue][]judge) {
	for _, r := range table {
		for b := range asked {
			if r.due&(1<<b) != 0 {
				asked[b] = append(asked[b], r.judge)
			}
		}
	}
	return asked
}
