package limits

import (
	"testing"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

func arrived(v *room.View, celsius, percent float64) {
	roomtest.Says(v, 1, celsius, percent)
	v.Due, v.Enclosure, v.Reading = room.Arrived, &v.Enclosures[0], sensors.Reading{At: v.At, Quality: sensors.Good}
}

// Limits are reached at the value itself: the lethal one of this species is at
// Limits.Lethal, its humidity floor at Limits.Floor.
func TestStep_AtTheLimitItself(t *testing.T) {
	v := roomtest.View(t, 1, "")
	l := v.Enclosures[0].Limits
	ceiling, floor := float64(l.Lethal)/100, float64(l.Floor)/100
	for _, c := range []struct {
		kind    alarm.Kind
		celsius float64
		percent float64
		want    alarm.Input
	}{
		{alarm.KindLethal, ceiling, 85, alarm.Beyond},
		{alarm.KindLethal, ceiling - 0.01, 85, alarm.Between},
		{alarm.KindFloor, 24, floor, alarm.Beyond},
		{alarm.KindFloor, 24, floor + 0.01, alarm.Between},
		{alarm.KindAbove, 24, 85, alarm.Back},
	} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		arrived(v, c.celsius, c.percent)
		New(v).Step(v, &room.Out{Lives: found})
		if f, ok := found.Last(c.kind); !ok || f.In != c.want {
			t.Errorf("%v at %v °C, %v %%: %+v", c.kind.Row().ID, c.celsius, c.percent, f)
		}
	}
}
