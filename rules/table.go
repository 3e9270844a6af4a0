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
	dues  dues
	kinds kinds
}

type (
	dues  []room.Due
	kinds []alarm.Kind
)

// table is the order in which the judges look at the same moment: each sees what
// those before it found.
func (j *judges) table() []row {
	return []row{
		{j.probes, dues{room.Blind, room.Calibrated, room.Arrived, room.Ticked, room.Minute, room.Learn, room.Hour},
			kinds{alarm.KindSilent, alarm.KindLossy, alarm.KindFrozen, alarm.KindWet, alarm.KindJump, alarm.KindDisagrees, alarm.KindNodeClock, alarm.KindOverdue}},
		{contact.Judge{}, dues{room.Touched, room.Ticked}, kinds{alarm.KindContactMains, alarm.KindContactPump, alarm.KindContactReservoir,
			alarm.KindContactDoor, alarm.KindContactBattery, alarm.KindContactSilent}},
		{j.limits, dues{room.Blind, room.Arrived, room.Quick},
			kinds{alarm.KindLethal, alarm.KindAbove, alarm.KindBelow, alarm.KindFloor}},
		{j.mist, dues{room.Blind, room.Quick, room.Schedule},
			kinds{alarm.KindMistMissing, alarm.KindMistWeak, alarm.KindMistEndless, alarm.KindDryDown}},
		{door.Judge{}, dues{room.Quick}, kinds{alarm.KindDoorAjar}},
		{air.Judge{}, dues{room.Around, room.Slow, room.Learn}, nil},
		{night.Judge{}, dues{room.Slow}, kinds{alarm.KindNightDrop}},
		{&lamps.Judge{}, dues{room.Slow, room.Schedule}, kinds{alarm.KindLampStuck}},
		{heat.Judge{}, dues{room.Slow, room.Ticked}, kinds{alarm.KindAhead, alarm.KindExposure}},
	}
}

// ask lists the judges by what they look at, in the order of the table.
func ask(table []row) (asked [room.NumDue][]judge) {
	for _, r := range table {
		for _, d := range r.dues {
			asked[d] = append(asked[d], r.judge)
		}
	}
	return asked
}
