package night

import (
	"reflect"
	"testing"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// Without a clock nobody knows night from day: nothing is fed, nothing found.
func TestStep_NeedsAClock(t *testing.T) {
	for _, synced := range []bool{true, false} {
		v := roomtest.View(t, 1, "")
		v.At.Synced = synced
		v.ReadClock(v.At)
		v.Due, v.Enclosure = room.Slow, &v.Enclosures[0]
		found, before := &roomtest.Found{}, v.Enclosure.St.Night
		Judge{}.Step(v, &room.Out{Lives: found})
		if fed := !reflect.DeepEqual(before, v.Enclosure.St.Night); fed != synced || len(found.List) > 0 {
			t.Errorf("clock set %v: fed %v, %+v", synced, fed, found.List)
		}
	}
}

// A room in which no night drops is told as the room, one tank as itself.
func TestCause_NoDropAnywhereIsTheRoom(t *testing.T) {
	for lack, want := range map[int]alarm.CauseKind{1: alarm.CauseEnclosure, 4: alarm.CauseRoom} {
		v := roomtest.View(t, 4, "")
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			en.Species.DropMin = 2
			drop := 3.0
			if i < lack {
				drop = 0.2
			}
			n := &en.St.Night
			n.Cycles, n.N, n.Done, n.Drops[0] = 1, 1, climate.NightReport{Drop: drop, Complete: true}, drop
		}
		if got, _ := (Judge{}).Cause(v, &v.Enclosures[0].Alarms[alarm.KindNightDrop]); got.Kind != want {
			t.Errorf("%d of 4 without a drop: %v, want %v", lack, got.Kind, want)
		}
	}
}
