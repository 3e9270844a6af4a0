package door

import (
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// A dry floor gives a froglet hours, so that an open door of theirs wakes.
func TestAjar_WakesForFroglets(t *testing.T) {
	for stage, want := range map[configs.Stage]alarm.Priority{configs.Adult: alarm.Today, configs.Froglet: alarm.Wake} {
		v := roomtest.View(t, 1, "")
		en, found := &v.Enclosures[0], &roomtest.Found{}
		en.Cfg.Stage = stage
		look{v, &room.Out{Lives: found}}.judgeAjar(en, v.At, true)
		f, ok := found.Last(alarm.KindDoorAjar)
		if !ok || f.In != alarm.Beyond || f.Alarm.Rec.Priority != want {
			t.Errorf("%s: %+v", stage, f)
		}
		if c, _ := (Judge{}).Cause(v, f.Alarm); c != (alarm.Cause{Kind: alarm.CauseDoor, ID: "e1"}) {
			t.Errorf("%+v", c)
		}
	}
}

// An air that is steady is no door, and one that was never open is not told.
func TestStep_Steady(t *testing.T) {
	v := roomtest.View(t, 1, "")
	found := &roomtest.Found{}
	v.Due, v.Enclosure = room.Quick, &v.Enclosures[0]
	for range 60 {
		v.At = v.At.Add(20 * time.Second)
		roomtest.Says(v, 1, 24, 85)
		Judge{}.Step(v, &room.Out{Lives: found})
	}
	if len(found.List) > 0 || v.Enclosure.St.HasExcuse {
		t.Errorf("%+v", found.List)
	}
}
