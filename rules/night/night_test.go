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
	for lack, want := range map[int]alarm.CauseKind{1: alarm.CauseEnclosure, 2: alarm.CauseRoom, 4: alarm.CauseRoom} {
		v := roomtest.View(t, 4, "")
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			en.DropMin, en.Limits.NightHigh = 2, 2500
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

// A room that is 1 °C warmer than usual, or above what the night may have, leaves no night
// drop to anybody.
func TestCause_AWarmRoom(t *testing.T) {
	for _, c := range []struct {
		usual float64 // of the room, which is at 24 °C
		night int32   // upper end
		want  alarm.CauseKind
		why   int
	}{
		{23, 2500, alarm.CauseRoom, 1},
		{23.1, 2500, alarm.CauseEnclosure, 0},
		{24, 2401, alarm.CauseEnclosure, 0},
		{24, 2400, alarm.CauseRoom, 0},
	} {
		v := roomtest.View(t, 1, "")
		v.Enclosures[0].Limits.NightHigh = c.night
		for i := range 24*3 + 1 {
			for range 3 {
				v.Air.Usual.Observe(float64(i%24), c.usual)
			}
		}
		got, why := (Judge{}).Cause(v, &v.Enclosures[0].Alarms[alarm.KindNightDrop])
		if got.Kind != c.want || len(why) != c.why {
			t.Errorf("%+v: %v, %+v", c, got, why)
		}
	}
}

// What is told of nights that did not cool: as many as are asked for, for the week; twice
// as many, or less than half of a drop, and warm nights, for today, where the nights before
// had one that is missed.
func TestNight_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name   string
		drop   float64 // of the last night; 2 °C are asked for
		nights int     // in a row with too little, the last one included; 3 are asked for
		before float64 // drop of three nights before those; 0 for none
		warm   float64 // °C over the night's upper end
		want   bool
		p      alarm.Priority
	}{
		{"three", 1.5, 3, 3, 1, true, alarm.Note}, {"two", 1.5, 2, 3, 1, false, alarm.Note}, {"six", 1.5, 6, 3, 1, true, alarm.Today}, {"five", 1.5, 5, 3, 1, true, alarm.Note},
		{"half a drop", 1, 3, 3, 1, true, alarm.Note}, {"less than half", 0.99, 3, 3, 1, true, alarm.Today}, {"and not warm", 0.99, 6, 3, 0, true, alarm.Note},
		{"never another", 0.5, 9, 0, 1, true, alarm.Note}, {"hardly less than before", 1.5, 6, 2.4, 1, true, alarm.Note}, {"by half of what is wanted", 1.5, 6, 2.5, 1, true, alarm.Today},
	} {
		v := roomtest.View(t, 1, "")
		v.Cfg.Rules.DropNights = 3
		en := &v.Enclosures[0]
		en.DropMin = 2
		n := &en.St.Night
		n.Cycles, n.N, n.Done = 9, uint32(c.nights), climate.NightReport{Drop: c.drop, Complete: true, NightMean: float64(en.Limits.NightHigh)/100 + c.warm}
		for i := range n.Drops {
			n.Drops[i] = c.drop
		}
		if c.before > 0 {
			n.N += 3
			n.Drops[0], n.Drops[1], n.Drops[2] = c.before, c.before, c.before
		}
		found := &roomtest.Found{}
		judge(v, en, &room.Out{Lives: found})
		f, ok := found.Last(alarm.KindNightDrop)
		if s := &en.Alarms[alarm.KindNightDrop]; ok != c.want || ok && f.In != alarm.Beyond || s.Rec.Priority != c.p || s.Rec.Value != c.drop || s.Rec.Limit != 2 {
			t.Errorf("%s: told %v, %v", c.name, ok, s.Rec.Priority)
		}
	}
	// Half of the enclosures without a drop are the room; one is itself, also of two.
	for _, c := range []struct {
		lack, of int
		want     alarm.CauseKind
	}{
		{1, 1, alarm.CauseEnclosure}, {1, 2, alarm.CauseEnclosure}, {2, 2, alarm.CauseRoom},
		{1, 4, alarm.CauseEnclosure}, {2, 4, alarm.CauseRoom}, {2, 5, alarm.CauseEnclosure}, {3, 5, alarm.CauseRoom},
	} {
		v := roomtest.View(t, c.of, "")
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			en.DropMin = 2
			en.St.Night.Cycles, en.St.Night.N, en.St.Night.Done = 1, 1, climate.NightReport{Complete: true}
			if i >= c.lack {
				en.St.Night.Drops[0] = 2
			}
		}
		if got, _ := (Judge{}).Cause(v, &v.Enclosures[0].Alarms[alarm.KindNightDrop]); got.Kind != c.want {
			t.Errorf("%d of %d without a drop: %v", c.lack, c.of, got.Kind)
		}
	}
}
