package lamps

import (
	"reflect"
	"testing"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// signs are what the enclosures show at one look, an hour after a switch or between.
func signs(v *room.View, list ...climate.LampSign) {
	for i, s := range list {
		w := &v.Enclosures[i].St.Lamps
		w.On, w.HasRoom, w.Sign = true, true, s
		v.Probes[i+1].St.StillAt = v.At.Mono
	}
}

// One enclosure alone needs odds of thousands, several on a timer add theirs up; a
// step without a switch is only believed of all of them, and of several timers at
// once it is the power.
func TestJudge_ByWarmth(t *testing.T) {
	missing := func(e float64) climate.LampSign { return climate.LampSign{Missing: e, Looks: 4} }
	moved := func(e float64) climate.LampSign { return climate.LampSign{Moved: e, Warms: true} }
	timer, power := alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, alarm.Cause{Kind: alarm.CausePower}
	for _, c := range []struct {
		name   string
		signs  []climate.LampSign
		second bool // the last two hang on another timer
		want   alarm.Cause
	}{
		{"a hint", []climate.LampSign{missing(4), missing(0), missing(0), missing(0)}, false, alarm.Cause{}},
		{"its own lamp", []climate.LampSign{missing(9), missing(-6), missing(-7), missing(-5)}, false, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
		{"hints of all", []climate.LampSign{missing(4), missing(3), missing(2), missing(2)}, false, timer},
		{"a hint against others", []climate.LampSign{missing(4), missing(3), missing(-7), missing(-7)}, false, alarm.Cause{}},
		{"hints of one shelf", []climate.LampSign{missing(5), missing(4), missing(-7), missing(-7)}, false, timer},
		{"carried from the switch before", []climate.LampSign{{Missing: 4, Carried: 4, Looks: 4}, missing(-5), missing(-7), missing(-7)}, false, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
		{"one went off", []climate.LampSign{moved(8), moved(0), moved(0), moved(0)}, false, alarm.Cause{}},
		{"all went off", []climate.LampSign{moved(6), moved(5), moved(4), moved(4)}, false, timer},
		{"all on two timers", []climate.LampSign{moved(6), moved(5), moved(4), moved(4)}, true, power},
		{"all on one of two timers", []climate.LampSign{moved(8), moved(8), moved(0), moved(0)}, true, timer},
	} {
		extra := ""
		if c.second {
			extra = "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n"
		}
		v := roomtest.View(t, 4, extra)
		if c.second {
			v.Enclosures[2].Lamps, v.Enclosures[3].Lamps = 1, 1
		}
		if c.name == "hints of one shelf" {
			v.Enclosures[2].Cfg.Shelf, v.Enclosures[3].Cfg.Shelf = 2, 2
		}
		signs(v, c.signs...)
		v.Due = room.Schedule
		found := &roomtest.Found{}
		(&Judge{}).Step(v, &room.Out{Lives: found})
		got := alarm.Cause{}
		for _, f := range found.List {
			if f.Alarm.Index == 0 && f.In == alarm.Beyond {
				got = f.Alarm.Rec.Cause
			}
		}
		if c.name == "all on one of two timers" && len(found.List) > 0 {
			got = found.List[0].Alarm.Rec.Cause
		}
		if got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A light probe decides at once, and a quarter of an hour after a switch.
func TestJudge_ByLight(t *testing.T) {
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	en.Now.HasLux, en.St.Lamps.Light.State = true, climate.LampsOff
	v.Due = room.Schedule
	found := &roomtest.Found{}
	(&Judge{}).Step(v, &room.Out{Lives: found})
	f, ok := found.Last(alarm.KindLampStuck)
	if !ok || f.In != alarm.Beyond || en.St.Lamps.Fault != climate.LampsNotOn {
		t.Errorf("dark at noon: %+v", f)
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
