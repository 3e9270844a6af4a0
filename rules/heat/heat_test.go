package heat

import (
	"testing"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// A forecast is made only above the limit that is worth a look, and none where
// the lethal limit is reached already.
func TestStep_LooksAheadAboveTheWarning(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius float64
		found   bool
		want    alarm.Input
	}{
		{"cool", 24, true, alarm.Back},
		{"warm, and nobody knows the rate", 29, true, alarm.Missing},
		{"lethal", 40, false, 0},
	} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		roomtest.Says(v, 1, c.celsius, 85)
		v.Due, v.Enclosure = room.Slow, &v.Enclosures[0]
		Judge{}.Step(v, &room.Out{Lives: found})
		if f, ok := found.Last(alarm.KindAhead); ok != c.found || ok && f.In != c.want {
			t.Errorf("%s: %v %+v", c.name, ok, f)
		}
	}
}

// What was ahead is hidden while it is here.
func TestStep_HidesWhatIsHere(t *testing.T) {
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	en.Open = 2
	en.Alarms[alarm.KindAhead].Rec.Life.State = alarm.Unack
	en.Alarms[alarm.KindLethal].Rec.Life.Active = true
	v.Due = room.Ticked
	Judge{}.Step(v, &room.Out{Lives: &roomtest.Found{}})
	if !en.Alarms[alarm.KindAhead].Rec.Life.Suppress {
		t.Error("both are told")
	}
}
