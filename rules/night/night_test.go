package night

import (
	"reflect"
	"testing"

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
