package lamps

import (
	"reflect"
	"testing"

	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// A temperature that goes the other way, and far, is something stronger than
// the lamps.
func TestStrays(t *testing.T) {
	for _, c := range []struct {
		step, usual float64
		want        bool
	}{{-1, 2, true}, {-0.4, 2, false}, {1, 2, false}, {1, -2, true}} {
		if got := strays(climate.LampStep{Step: c.step, Usual: c.usual}); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// Without a clock nothing is fed and nothing found.
func TestStep_NeedsAClock(t *testing.T) {
	v := roomtest.View(t, 1, "")
	v.At.Synced = false
	v.ReadClock(v.At)
	v.Due, v.Enclosure = room.Slow, &v.Enclosures[0]
	found, before := &roomtest.Found{}, v.Enclosure.St.Lamps
	(&Judge{}).Step(v, &room.Out{Lives: found})
	if !reflect.DeepEqual(before, v.Enclosure.St.Lamps) || len(found.List) > 0 {
		t.Errorf("%+v", found.List)
	}
}
