package lamps

import (
	"math"
	"reflect"
	"testing"
	"time"

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

// A restart does not look out of turn: what is remembered is that the look was made.
func TestJudge_LooksOnceAcrossARestart(t *testing.T) {
	v := roomtest.View(t, 1, "")
	signs(v, climate.LampSign{Missing: 9, Looks: 4})
	v.Due = room.Schedule
	for _, want := range []int{1, 0} {
		found := &roomtest.Found{}
		(&Judge{}).Step(v, &room.Out{Lives: found})
		if len(found.List) != want {
			t.Errorf("%d findings", len(found.List))
		}
		signs(v, climate.LampSign{Missing: 9, Looks: 4})
	}
}

// One enclosure alone needs odds of thousands, several on a timer add theirs up; a
// step without a switch is only believed of all of them, and of several timers at
// once it is the power.
func TestJudge_ByWarmth(t *testing.T) {
	missing := func(e float64) climate.LampSign { return climate.LampSign{Missing: e, Looks: 4} }
	moved := func(e float64) climate.LampSign { return climate.LampSign{Moved: e, Warms: true, Known: true} }
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

// Lamps without power are off already when they are to go off; those that do not come on
// are told with and without.
func TestFaultOf_NoPower(t *testing.T) {
	for _, on := range []bool{false, true} {
		v := roomtest.View(t, 3, "")
		missing := climate.LampSign{Missing: 9, Looks: 4}
		signs(v, missing, missing, missing)
		en := &v.Enclosures[0]
		en.St.Lamps.On = on
		l := look{Judge: &Judge{}, v: v}
		if got := l.faultOf(en); got != late(on) {
			t.Errorf("on %v: %v", on, got)
		}
		cold := &v.Enclosures[1].Alarms[alarm.KindBelow]
		v.Enclosures[1].Open.Turn(alarm.KindBelow)
		cold.Rec.Life.Active, cold.Rec.Cause = true, alarm.Cause{Kind: alarm.CausePower}
		if got := l.faultOf(en); (got == late(on)) != on {
			t.Errorf("on %v, without power: %v", on, got)
		}
		if cold.Rec.Life.Active = false; l.faultOf(en) != late(on) {
			t.Errorf("on %v, with power again: follows", on)
		}
		for i := 1; i < 3; i++ { // most on its timer were dark before the switch
			w := &v.Enclosures[i].St.Lamps
			w.On, w.Early, w.Fault = on, true, climate.LampsOffEarly
		}
		if got := l.faultOf(en); (got == late(on)) != on {
			t.Errorf("on %v, dark before: %v", on, got)
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

// All enclosures are looked at every ten minutes, three of them late.
func TestStep_LooksEveryTenMinutes(t *testing.T) {
	v := roomtest.View(t, 1, "")
	v.Enclosures[0].Now.HasLux, v.Enclosures[0].St.Lamps.Light.State = true, climate.LampsOff
	v.Due = room.Schedule
	j, found, start := &Judge{}, &roomtest.Found{}, v.At.Add(lateness)
	for i, c := range []struct {
		after time.Duration
		looks int
	}{{0, 1}, {every - 1, 1}, {every, 2}, {2*every - 1, 2}} {
		v.At = start.Add(c.after)
		if j.Step(v, &room.Out{Lives: found}); len(found.List) != c.looks {
			t.Errorf("step %d: %d looks, want %d", i, len(found.List), c.looks)
		}
	}
}

// The evidence that tells lamps which did not switch, or stepped without the schedule, or
// are back, at each bound.
func TestLamps_AtTheirLimits(t *testing.T) {
	on := func(v *room.View) look { return look{Judge: &Judge{}, v: v} }
	for _, c := range []struct {
		name   string
		own    climate.LampSign
		others []climate.LampSign
		early  bool
		want   bool
	}{
		{"enough of itself", climate.LampSign{Missing: 7, Looks: looks}, nil, false, true},
		{"not enough", climate.LampSign{Missing: 6.9, Looks: looks}, nil, false, false},
		{"with what was carried", climate.LampSign{Missing: 3, Carried: 4, Looks: looks}, nil, false, true},
		{"hardly a hint", climate.LampSign{Missing: 2.9, Carried: 9, Looks: looks}, nil, false, false},
		{"too few looks", climate.LampSign{Missing: 9, Looks: looks - 1}, nil, false, false},
		{"they were so before", climate.LampSign{Missing: 9, Looks: looks}, nil, true, false},
		{"with the others", climate.LampSign{Missing: 3, Looks: looks}, []climate.LampSign{{Missing: 4, Looks: looks}}, false, true},
		{"with less", climate.LampSign{Missing: 3, Looks: looks}, []climate.LampSign{{Missing: 3.9, Looks: looks}}, false, false},
		{"others that were not looked at", climate.LampSign{Missing: 3, Looks: looks}, []climate.LampSign{{Missing: 4, Looks: looks - 1}}, false, false},
		{"a shelf, though no hint", climate.LampSign{Missing: 0.4, Looks: looks}, []climate.LampSign{{Missing: 7, Looks: looks}, {Missing: 0.6, Looks: looks}}, false, true},
		{"hardly anything of itself", climate.LampSign{Missing: 0.3, Looks: looks}, []climate.LampSign{{Missing: 7, Looks: looks}, {Missing: 7, Looks: looks}}, false, false},
		{"nobody counts for more than one", climate.LampSign{Missing: 0.4, Looks: looks}, []climate.LampSign{{Missing: 99, Looks: looks}}, false, false},
	} {
		v := roomtest.View(t, 4, "")
		signs(v, append([]climate.LampSign{c.own}, c.others...)...)
		v.Enclosures[0].St.Lamps.Early = c.early
		if got := on(v).notSwitched(&v.Enclosures[0]); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	for _, c := range []struct {
		name  string
		moved []float64
		next  time.Duration // to the next switch
		fall  float64       // °C of the room
		want  bool
	}{
		{"two of two", []float64{7, 7}, 4 * time.Hour, 0, true}, {"less", []float64{7, 6.9}, 4 * time.Hour, 0, false},
		{"three of four", []float64{7, 7, 0.4, 0}, 4 * time.Hour, 0, true}, {"two of three", []float64{7, 7, 0.3}, 4 * time.Hour, 0, false},
		{"one", []float64{20}, 4 * time.Hour, 0, false}, {"a falling room, one timer", []float64{4, 4}, 4 * time.Hour, -2, false},
	} {
		v := roomtest.View(t, len(c.moved), "")
		v.Lamps[0].On, v.Lamps[0].Next = true, c.next
		var list []climate.LampSign
		for _, m := range c.moved {
			list = append(list, climate.LampSign{Moved: m, Warms: true, Known: true})
		}
		signs(v, list...)
		v.Air.Trend = climate.Trend{}
		for m := range 31 {
			v.Air.Trend.Observe(v.At.Mono+time.Duration(m-31)*time.Minute, 22+c.fall*math.Floor(float64(m)/15.5))
		}
		if got := on(v).departs(0); got != c.want {
			t.Errorf("%s: stepped %v", c.name, got)
		}
		// Lamps that dim within 80 minutes of a switch step by themselves.
		for i := range v.Enclosures {
			v.Enclosures[i].St.Lamps.Ramp = [2]float64{-1, 1}
		}
		v.Lamps[0].Next = ramp
		if on(v).departs(0) {
			t.Errorf("%s: on their way, and told", c.name)
		}
		if v.Lamps[0].Next = ramp + 1; on(v).departs(0) != c.want {
			t.Errorf("%s: long before they dim", c.name)
		}
		for i := range v.Enclosures {
			v.Enclosures[i].St.HasPulse, v.Enclosures[i].St.PulseAt = true, v.At.Mono-mistDips+1
		}
		if on(v).departs(0) {
			t.Errorf("%s: a mist cools them", c.name)
		}
	}
	for _, c := range []struct {
		name   string
		sign   climate.LampSign
		wrong  bool
		beside float64
		want   bool
	}{
		{"stepped back", climate.LampSign{Moved: 5}, true, 0, true}, {"hardly", climate.LampSign{Moved: 4.9}, true, 0, false}, {"it was right", climate.LampSign{Moved: 9}, false, 0, false},
		{"switched", climate.LampSign{Missing: -3, Looks: looks}, false, 0, true}, {"perhaps", climate.LampSign{Missing: -2.9, Looks: looks}, false, 0, false},
		{"too few looks", climate.LampSign{Missing: -9, Looks: looks - 1}, false, 0, false}, {"with its shelf", climate.LampSign{Missing: -1, Looks: looks}, false, -6, true},
		{"with less of it", climate.LampSign{Missing: -1, Looks: looks}, false, -5.9, false}, {"not itself", climate.LampSign{Looks: looks}, false, -9, false},
	} {
		v := roomtest.View(t, 2, "")
		signs(v, c.sign, climate.LampSign{Missing: c.beside, Looks: looks})
		v.Enclosures[0].St.Lamps.Wrong = c.wrong
		if got := on(v).isBack(&v.Enclosures[0]); got != c.want {
			t.Errorf("%s: back %v", c.name, got)
		}
	}
	for still, want := range map[time.Duration]bool{standing: true, standing - 1: false} {
		v := roomtest.View(t, 1, "")
		v.Probes[1].St.StillAt = v.At.Mono - still
		if got := on(v).mute(&v.Enclosures[0]); got != want {
			t.Errorf("still for %v: shows nothing %v", still, got)
		}
	}
	// Nor does one whose door is ajar, or was within a day.
	for ago, want := range map[time.Duration]bool{-1: true, 0: false, doorLong - 1: true, doorLong: false} {
		v := roomtest.View(t, 1, "")
		v.At.Mono += 2 * doorLong
		v.Probes[1].St.StillAt = v.At.Mono
		if d := &v.Enclosures[0].Alarms[alarm.KindDoorAjar].Rec.Life; ago < 0 {
			d.Active = true
		} else if ago > 0 {
			d.EndedAt = v.At.Mono - ago
		}
		if got := on(v).mute(&v.Enclosures[0]); got != want {
			t.Errorf("ajar until %v ago: shows nothing %v", ago, got)
		}
	}
	// A light probe is given an hour and a quarter at a switch, while nobody knows how long its
	// lamps dim.
	const dims = 75 * time.Minute
	for edge, want := range map[time.Duration]bool{dims: true, dims - 1: false} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.Now.HasLux, en.St.Lamps.Light.State, v.Lamps[0].Edge = true, climate.LampsOff, edge
		found := &roomtest.Found{}
		look{Judge: &Judge{}, v: v, out: &room.Out{Lives: found}}.judge()
		if _, ok := found.Last(alarm.KindLampStuck); ok != want {
			t.Errorf("dark for %v: told %v", edge, ok)
		}
	}
}

// A light probe says whether lamps did not switch, or did without the schedule, and where all
// are dark off schedule on two timers, it is the power.
func TestByLight(t *testing.T) {
	for _, c := range []struct {
		on, lit bool
		since   time.Duration // after the switch
		want    climate.LampFault
	}{
		{true, true, 0, climate.LampsFollow}, {true, false, 0, climate.LampsNotOn}, {false, true, 0, climate.LampsNotOff},
		{true, false, 4 * time.Hour, climate.LampsOffEarly}, {false, true, 4 * time.Hour, climate.LampsOnEarly},
	} {
		w := climate.LampWatch{On: c.on, Switch: 100 * time.Hour}
		w.Light.Since = w.Switch + c.since
		if got := byLight(&w, &room.Lamps{On: c.on, Edge: 6 * time.Hour}, c.lit); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
	v := roomtest.View(t, 4, "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
	for i := range v.Lamps {
		v.Lamps[i].On, v.Lamps[i].Edge = true, 6*time.Hour
	}
	for i := range v.Enclosures {
		en := &v.Enclosures[i]
		en.Lamps, en.Now.HasLux = i%2, true
		en.St.Lamps.On, en.St.Lamps.Light.State, en.St.Lamps.Light.Since = true, climate.LampsOff, 4*time.Hour
	}
	look{Judge: &Judge{}, v: v, out: &room.Out{Lives: &roomtest.Found{}}}.judge()
	if got := v.Enclosures[0].Alarms[alarm.KindLampStuck].Rec.Cause.Kind; got != alarm.CausePower {
		t.Errorf("all dark at once: %v", got)
	}
}

// Where nobody knows of the room's temperature, which an air conditioner or a heater can turn
// just as the lamps switch, an hour and more is waited for.
func TestNotSwitched_NoRoom(t *testing.T) {
	for n, want := range map[int]bool{looks: false, bareLooks - 1: false, bareLooks: true} {
		v := roomtest.View(t, 2, "")
		signs(v, climate.LampSign{Missing: 9, Looks: n}, climate.LampSign{Missing: 9, Looks: n})
		en := &v.Enclosures[0]
		l := look{Judge: &Judge{}, v: v}
		if !l.notSwitched(en) {
			t.Errorf("%d looks beside the room: not told", n)
		}
		if en.St.Lamps.HasRoom = false; l.notSwitched(en) != want {
			t.Errorf("%d looks without the room: told %v", n, !want)
		}
	}
}

// One lamp, or a shelf's, that did not go off where others on its timer did is told by how it
// parts from them, however little its own evidence is: what the room does, it does to all.
func TestNotSwitched_BesideOthers(t *testing.T) {
	for _, c := range []struct {
		name  string
		moved []float64 // °C since the switch, of which one is usual
		set   func(v *room.View)
		want  bool
	}{
		{"it alone stays", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, nil, true},
		{"and it is odd for its days", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) {
			w := &v.Enclosures[0].St.Lamps
			w.HasRoom, w.Sign.Missing, w.Sign.Looks = true, climate.LampHint, looks
		}, true},
		{"as on other days", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) {
			w := &v.Enclosures[0].St.Lamps
			w.HasRoom, w.Sign.Missing, w.Sign.Looks = true, climate.LampHint-0.1, looks
		}, false},
		{"in a room that cools", []float64{-1.5, -2.6, -2.4, -2.5, -2.55, -2.45, -2.5}, nil, true},
		{"all stay", []float64{0, 0.1, -0.1, 0, 0.05, -0.05, 0}, nil, false},
		{"others differ as much", []float64{0, -1.8, -0.2, -1, -1.7, -0.3, -1}, nil, false},
		{"all follow", []float64{-0.9, -1.1, -0.9, -1, -1.05, -0.95, -1}, nil, false},
		{"there are few others", []float64{0, -1.1, -0.9}, nil, false},
		{"of another timer", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) {
			for i := range v.Enclosures[1:] {
				v.Enclosures[1+i].Lamps = -1
			}
		}, false},
		{"it was seen to switch", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) { v.Enclosures[0].St.Lamps.Since.Seen = true }, false},
		{"it was early", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) { v.Enclosures[0].St.Lamps.Early = true }, false},
		{"a door is ajar", []float64{0, -1.1, -0.9, -1, -1.05, -0.95, -1}, func(v *room.View) {
			v.Enclosures[1].Alarms[alarm.KindDoorAjar].Rec.Life.Active = true
			v.Enclosures[2].Alarms[alarm.KindDoorAjar].Rec.Life.Active = true
			v.Enclosures[3].Alarms[alarm.KindDoorAjar].Rec.Life.Active = true
			v.Enclosures[4].Alarms[alarm.KindDoorAjar].Rec.Life.Active = true
		}, false},
	} {
		v := roomtest.View(t, len(c.moved), "")
		for i, moved := range c.moved {
			w := &v.Enclosures[i].St.Lamps
			v.Probes[i+1].St.StillAt = v.At.Mono
			v.Enclosures[i].Shelf = i
			w.Course[0].Mean[looks-1], w.Course[0].Days[looks-1] = -1, 3
			w.Since.Next, w.Since.Bins[looks-1].N, w.Since.Bins[looks-1].Value = looks, 1, moved
		}
		if c.set != nil {
			c.set(v)
		}
		l := look{Judge: &Judge{}, v: v}
		l.parts = l.part()
		if got := l.notSwitched(&v.Enclosures[0]); got != c.want {
			t.Errorf("%s: told %v", c.name, got)
		}
	}
}

// What all show a little together is that the timer switched; one that shows the contrary
// may be alone with its lamp.
func TestSeeSwitch(t *testing.T) {
	for _, c := range []struct {
		each, first float64
		looks       int
		want        [2]bool // of the first and of another
		apart       bool    // the first stands on another shelf
	}{
		{-1.5, -1.5, looks, [2]bool{true, true}, false}, {-1.4, -1.3, looks, [2]bool{}, false}, {-1.5, -1.5, looks - 1, [2]bool{}, false},
		{-5, 6, looks, [2]bool{false, true}, false}, {-5, 6, looks - 1, [2]bool{}, false},
		{-5, 0, looks, [2]bool{true, true}, false}, {-5, 0, looks, [2]bool{false, true}, true}, // a shelf may have a lamp of its own
	} {
		v := roomtest.View(t, 5, "")
		list := make([]climate.LampSign, 5)
		if c.apart {
			v.Enclosures[0].Shelf++
		}
		for i := range list {
			list[i] = climate.LampSign{Missing: c.each, Looks: c.looks}
		}
		list[0].Missing = c.first
		signs(v, list...)
		look{Judge: &Judge{}, v: v}.seeSwitch()
		if got := [2]bool{v.Enclosures[0].St.Lamps.Since.Seen, v.Enclosures[3].St.Lamps.Since.Seen}; got != c.want {
			t.Errorf("%+v: seen %v", c, got)
		}
	}
}

// A look may come between the switch and the first reading of some enclosures after it: what
// those show is still of the switch before, and says nothing of this one.
func TestSeeSwitch_BeforeAllWereRead(t *testing.T) {
	v := roomtest.View(t, 4, "")
	v.Lamps[0].On = false
	switched := climate.LampSign{Missing: -9, Looks: 9}
	signs(v, climate.LampSign{}, switched, switched, switched)
	v.Enclosures[0].St.Lamps.On = false
	if (look{Judge: &Judge{}, v: v}).seeSwitch(); v.Enclosures[0].St.Lamps.Since.Seen {
		t.Error("seen to switch in the minute in which it was to")
	}
}

// What is told with lamps that are wrong: by which time of the schedule, and whether
// others on the timer follow it.
func TestLamps_WhatIsTold(t *testing.T) {
	for _, c := range []struct {
		fault climate.LampFault
		id    alarm.FactID
		at    string
	}{
		{climate.LampsNotOn, alarm.FactLampsNotOn, "08:00"}, {climate.LampsNotOff, alarm.FactID(alarm.LampStuck), "20:00"},
		{climate.LampsOffEarly, alarm.FactLampsOffEarly, "20:00"}, {climate.LampsOnEarly, alarm.FactLampsOnEarly, "08:00"},
	} {
		v := roomtest.View(t, 1, "")
		v.Enclosures[0].St.Lamps.Fault = c.fault
		if f := (&Judge{}).Fact(v, &v.Enclosures[0].Alarms[alarm.KindLampStuck]); f.ID != c.id || f.About != c.at {
			t.Errorf("%v: %+v", c.fault, f)
		}
	}
	timer := alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}
	for _, c := range []struct {
		name   string
		fault  climate.LampFault
		cause  alarm.Cause
		beside climate.LampSign
		other  bool // it hangs on another timer
		want   int
	}{
		{"another follows", climate.LampsNotOn, timer, climate.LampSign{Looks: looks, Missing: follows}, false, 1}, {"hardly", climate.LampsNotOn, timer, climate.LampSign{Looks: looks, Missing: -2.9}, false, 0},
		{"too few looks", climate.LampsNotOn, timer, climate.LampSign{Looks: looks - 1, Missing: follows}, false, 0}, {"another timer", climate.LampsNotOn, timer, climate.LampSign{Looks: looks, Missing: follows}, true, 0},
		{"they went early", climate.LampsOffEarly, timer, climate.LampSign{Looks: looks, Missing: follows}, false, 0}, {"it was the power", climate.LampsNotOn, alarm.Cause{Kind: alarm.CausePower}, climate.LampSign{Looks: looks, Missing: follows}, false, 0},
	} {
		v := roomtest.View(t, 2, "")
		a := &v.Enclosures[0].Alarms[alarm.KindLampStuck]
		v.Enclosures[0].St.Lamps.Fault, a.Rec.Cause = c.fault, c.cause
		if v.Enclosures[1].St.Lamps.Sign = c.beside; c.other {
			v.Enclosures[1].Lamps = -1
		}
		got, why := (&Judge{}).Cause(v, a)
		some := len(why) == 1 && why[0].ID == alarm.FactLampsSome
		if got != c.cause || some != (c.want == 1) {
			t.Errorf("%s: %+v, %+v", c.name, got, why)
		}
	}
}

// At fault is the enclosure's own lamp where it alone did not switch and another did, the
// power where the room cools with the lamps, and else the timer.
func TestLamps_WhoIsAtFault(t *testing.T) {
	follow := climate.LampSign{Looks: looks, Missing: follows}
	own, timer, power := alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, alarm.Cause{Kind: alarm.CausePower}
	for _, c := range []struct {
		name   string
		signs  []climate.LampSign // of the others
		faults []climate.LampFault
		wrong  bool // the second is known to be wrong
		other  bool // the others hang on another timer
		fault  climate.LampFault
		room   float64 // °C below what is usual
		change float64
		want   alarm.Cause
	}{
		{"others follow", []climate.LampSign{follow, follow}, nil, false, false, climate.LampsNotOn, 0, 0, own},
		{"they hardly do", []climate.LampSign{{Looks: looks, Missing: -2.9}, {Looks: looks, Missing: -2.9}}, nil, false, false, climate.LampsNotOn, 0, 0, timer},
		{"too few looks", []climate.LampSign{{Looks: looks - 1, Missing: follows}}, nil, false, false, climate.LampsNotOn, 0, 0, timer},
		{"one is stuck too", []climate.LampSign{follow, {Missing: some}}, nil, false, false, climate.LampsNotOn, 0, 0, timer},
		{"one may be", []climate.LampSign{follow, {Missing: 0.39}}, nil, false, false, climate.LampsNotOn, 0, 0, own},
		{"one was wrong before", []climate.LampSign{follow, follow}, nil, true, false, climate.LampsNotOn, 0, 0, timer},
		{"one is found to be", []climate.LampSign{follow, follow}, []climate.LampFault{climate.LampsNotOn, climate.LampsFollow, climate.LampsNotOn}, false, false, climate.LampsNotOn, 0, 0, timer},
		{"those who follow hang on another timer", []climate.LampSign{follow, follow}, nil, false, true, climate.LampsNotOn, 0, 0, timer},
		{"the room cools with them", []climate.LampSign{follow}, nil, false, false, climate.LampsOffEarly, 0.6, -0.5, power},
		{"more slowly", []climate.LampSign{follow}, nil, false, false, climate.LampsOffEarly, 0.6, -0.4, own},
		{"it is hardly cooler", []climate.LampSign{follow}, nil, false, false, climate.LampsOffEarly, 0.4, -0.5, own},
		{"the room cools, and they did not come on", []climate.LampSign{follow}, nil, false, false, climate.LampsNotOn, 0.6, -0.5, own},
	} {
		v := roomtest.View(t, len(c.signs)+1, "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
		signs(v, append([]climate.LampSign{{Looks: looks, Missing: 9}}, c.signs...)...)
		for n := range 27 {
			v.Air.Usual.Observe(float64(11+n/3%3), 24+c.room)
		}
		v.Air.Trend = climate.Trend{}
		for m := range 31 {
			v.Air.Trend.Observe(v.At.Mono+time.Duration(m-31)*time.Minute, 24+c.change*math.Floor(float64(m)/15.5))
		}
		for i := 1; i <= len(c.signs) && c.other; i++ {
			v.Enclosures[i].Lamps = 1
		}
		v.Enclosures[1].St.Lamps.Wrong = c.wrong
		j := &Judge{faults: c.faults}
		if c.faults == nil {
			j.faults = make([]climate.LampFault, len(v.Enclosures))
			j.faults[0] = c.fault
		}
		if got := (look{Judge: j, v: v}).cause(&v.Enclosures[0], c.fault); got != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// The power is what takes most lamps on all timers, and of a single timer only where the
// room cools too.
func TestLamps_AllDark(t *testing.T) {
	const e, f = climate.LampsOffEarly, climate.LampsFollow
	for _, c := range []struct {
		name   string
		faults []climate.LampFault
		timers []int
		early  bool // the first was early before
		was    bool // it was told before, and follows now
		cools  float64
		want   bool
	}{
		{"all on two timers", []climate.LampFault{e, e, e, e}, []int{0, 0, 1, 1}, false, false, 0, true},
		{"three of four", []climate.LampFault{e, e, e, f}, []int{0, 0, 1, 1}, false, false, 0, true},
		{"two of four", []climate.LampFault{e, f, e, f}, []int{0, 0, 1, 1}, false, false, 0, false},
		{"none on one of them", []climate.LampFault{e, e, e, f}, []int{0, 0, 0, 1}, false, false, 0, false},
		{"a timer that is early so often", []climate.LampFault{e, f, e, e}, []int{0, 0, 1, 1}, true, false, 0, false},
		{"one that was told before", []climate.LampFault{f, f, e, e}, []int{0, 0, 1, 1}, false, true, 0, true},
		{"a single timer", []climate.LampFault{e, e, e, e}, []int{0, 0, 0, 0}, false, false, 0, false},
		{"in a room that cools", []climate.LampFault{e, e, e, e}, []int{0, 0, 0, 0}, false, false, 0.6, true},
		{"hardly", []climate.LampFault{e, e, e, e}, []int{0, 0, 0, 0}, false, false, 0.4, false},
		{"without any lamps", []climate.LampFault{e, e}, []int{-1, -1}, false, false, 0.6, false},
	} {
		v := roomtest.View(t, len(c.faults), "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
		for i, l := range c.timers {
			v.Enclosures[i].Lamps = l
		}
		w := &v.Enclosures[0].St.Lamps
		w.Early, w.Wrong, w.Fault = c.early, c.was, e
		for n := range 27 {
			v.Air.Usual.Observe(float64(11+n/3%3), 24+c.cools)
		}
		v.Air.Trend = climate.Trend{}
		for m := range 31 {
			v.Air.Trend.Observe(v.At.Mono+time.Duration(m-31)*time.Minute, 24-c.cools*math.Floor(float64(m)/15.5))
		}
		if got := (look{Judge: &Judge{faults: c.faults}, v: v}).allDark(e); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// All lamps of the only timer that go dark between two switches are the power's where nobody
// knows whether the room cools; where it is known not to, they are the timer's.
func TestLamps_DarkWithoutARoom(t *testing.T) {
	for known, want := range map[bool]alarm.CauseKind{true: alarm.CauseLamps, false: alarm.CausePower} {
		v := roomtest.View(t, 4, "")
		v.Probes[0].St.HasTemp = known
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, 6*time.Hour
		e := climate.LampsOffEarly
		l := look{Judge: &Judge{faults: []climate.LampFault{e, e, e, e}}, v: v}
		if got := l.cause(&v.Enclosures[0], e); got.Kind != want {
			t.Errorf("room known %v: %v", known, got)
		}
	}
}

// Lamps that do not come on are the power's where none does whose time it is in a room that
// is colder than usual too; else the doubt is told.
func TestLamps_NoneComesOn(t *testing.T) {
	const n, f = climate.LampsNotOn, climate.LampsFollow
	for _, c := range []struct {
		name   string
		faults []climate.LampFault
		timers []int
		off    bool // the second timer's time has not come
		colder float64
		want   alarm.Cause
		doubt  bool
	}{
		{"all on two timers", []climate.LampFault{n, n, n, n}, []int{0, 0, 1, 1}, false, 0, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, true},
		{"in a colder room", []climate.LampFault{n, n, n, n}, []int{0, 0, 1, 1}, false, 1.1, alarm.Cause{Kind: alarm.CausePower}, false},
		{"one timer burns", []climate.LampFault{n, n, f, f}, []int{0, 0, 1, 1}, false, 0, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, false},
		{"the other's time has not come", []climate.LampFault{n, n, f, f}, []int{0, 0, 1, 1}, true, 0, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, true},
		{"and the room is colder", []climate.LampFault{n, n, f, f}, []int{0, 0, 1, 1}, true, 1.1, alarm.Cause{Kind: alarm.CausePower}, false},
		{"by less", []climate.LampFault{n, n, f, f}, []int{0, 0, 1, 1}, true, 0.9, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}, true},
	} {
		v := roomtest.View(t, len(c.faults), "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
		for i := range v.Lamps {
			v.Lamps[i].Known, v.Lamps[i].On, v.Lamps[i].Edge = true, i == 0 || !c.off, time.Hour
		}
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			en.Lamps = c.timers[i]
			en.St.Lamps.On, en.St.Lamps.Sign.Warms = true, true
			en.St.Lamps.Fault, en.St.Lamps.Wrong = c.faults[i], c.faults[i] == n
		}
		for k := range 27 {
			v.Air.Usual.Observe(float64(11+k/3%3), 24+c.colder)
		}
		j := &Judge{faults: c.faults}
		got := look{Judge: j, v: v}.cause(&v.Enclosures[0], n)
		if got != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
		s := &v.Enclosures[0].Alarms[alarm.KindLampStuck]
		s.Rec.Cause = got
		if _, why := j.Cause(v, s); (len(why) > 0 && why[0].ID == alarm.FactOrPowerDark) != c.doubt {
			t.Errorf("%s: %+v", c.name, why)
		}
	}
}

// One of a timer's lamps that shows some of it is dark with those that are told.
func TestLamps_SomeAreDarkToo(t *testing.T) {
	for _, c := range []struct {
		sign climate.LampSign
		want int
	}{{climate.LampSign{Looks: 1, Missing: some}, 2}, {climate.LampSign{Looks: 1, Missing: 0.39}, 1}, {climate.LampSign{Missing: some}, 1}} {
		v := roomtest.View(t, 2, "")
		v.Lamps[0].On = true
		signs(v, climate.LampSign{}, c.sign)
		l := look{Judge: &Judge{faults: []climate.LampFault{climate.LampsNotOn, climate.LampsFollow}}, v: v}
		if n, dark := l.darkOn(0, climate.LampsNotOn); n != 2 || dark != c.want {
			t.Errorf("%+v: %d of %d", c.sign, dark, n)
		}
	}
}

// An alarm of lamps is told once, ends when they follow, and a timer's rest that comes
// each day is for the week.
func TestLamps_Settle(t *testing.T) {
	for _, c := range []struct {
		name  string
		fault climate.LampFault
		open  bool
		found bool
		in    alarm.Input
		wrong bool
	}{
		{"wrong", climate.LampsNotOn, false, true, alarm.Beyond, true}, {"right, and nothing was told", climate.LampsFollow, false, false, 0, false}, {"right again", climate.LampsFollow, true, true, alarm.Back, false},
	} {
		v := roomtest.View(t, 1, "")
		en, found := &v.Enclosures[0], &roomtest.Found{}
		en.St.Lamps.Wrong = true
		s := &en.Alarms[alarm.KindLampStuck]
		if c.open {
			s.Rec.Life.State, s.Rec.Life.Active = alarm.Unack, true
		}
		why := alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}
		look{Judge: &Judge{}, v: v, out: &room.Out{Lives: found}}.settle(en, c.fault, why)
		f, ok := found.Last(alarm.KindLampStuck)
		if ok != c.found || f.In != c.in || en.St.Lamps.Wrong != c.wrong || c.wrong && (s.Rec.Cause != why || en.St.Lamps.Fault != c.fault) {
			t.Errorf("%s: %v %+v, %+v", c.name, ok, f, en.St.Lamps.Wrong)
		}
	}
}

// Lamps that switched by themselves did so when that was first found.
func TestLamps_SettleSince(t *testing.T) {
	for fault, want := range map[climate.LampFault]bool{
		climate.LampsNotOn: false, climate.LampsNotOff: false, climate.LampsOffEarly: true, climate.LampsOnEarly: true,
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		s := &en.Alarms[alarm.KindLampStuck]
		l := look{Judge: &Judge{}, v: v, out: &room.Out{Lives: &roomtest.Found{}}}
		l.settle(en, fault, alarm.Cause{})
		first := v.At.Mono
		if got := en.St.Lamps.OffHour; (got == first) != want {
			t.Errorf("%v: since %v", fault, got)
		}
		en.St.Lamps.Wrong, v.At = true, v.At.Add(every)
		if l.settle(en, fault, s.Rec.Cause); en.St.Lamps.OffHour > first {
			t.Errorf("%v: since it was found again", fault)
		}
	}
}

// Where the lamps of two timers go out in a room that falls, its heating went with them: less
// evidence of all together is enough. By day, lamps that burn, and no faster fall need more.
func TestDeparts_TheRoomFalls(t *testing.T) {
	for _, c := range []struct {
		name  string
		moved float64 // evidence of each of four
		fall  float64 // °C in half an hour
		on    bool
		want  bool
	}{
		{"enough", powerGone / 4, 0.9, true, true}, {"less", powerGone/4 - 0.01, 0.9, true, false},
		{"a room that hardly falls", powerGone / 4, 0.7, true, false}, {"they are to be dark", powerGone / 4, 0.9, false, false},
		{"evidence enough without it", parted / 4, 0, true, true},
	} {
		v := roomtest.View(t, 4, "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
		v.Air.Trend = climate.Trend{}
		for m := range 31 {
			v.Air.Trend.Observe(v.At.Mono+time.Duration(m-31)*time.Minute, 24-c.fall*math.Floor(float64(m)/15.5))
		}
		for i := range v.Lamps {
			v.Lamps[i].On, v.Lamps[i].Next = c.on, 6*time.Hour
		}
		for i := range v.Enclosures {
			w := &v.Enclosures[i].St.Lamps
			v.Enclosures[i].Lamps = i % 2
			w.On, w.HasRoom, w.Sign = true, true, climate.LampSign{Warms: true, Known: true, Moved: c.moved}
		}
		if got := (look{Judge: &Judge{}, v: v, out: nil}).departs(0); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Where the room has no probe what all enclosures share may be the room's: their mean counts
// and not their number, and more of it in the dark, where heating comes on as lamps do.
func TestDeparts_NoRoom(t *testing.T) {
	for _, c := range []struct {
		name    string
		n       int
		hasRoom bool
		on      bool
		moved   float64
		before  float64 // at one look
		want    bool
	}{
		{"two", 2, false, true, bareParted, 0, true},
		{"two, less", 2, false, true, bareParted - 0.1, 0, false},
		{"many, less", 8, false, true, bareParted - 0.1, 0, false},
		{"many, less, by the room's probe", 8, true, true, bareParted - 0.1, 0, true},
		{"dark", 2, false, false, told - 0.1, 0, false},
		{"dark, and more", 2, false, false, told, 0, true},
		{"one alone", 1, false, true, parted, 0, false},
		{"two at one look", 2, false, true, 0, bareApart, true},
		{"two at one look, less", 2, false, true, 0, bareApart - 0.1, false},
	} {
		v := roomtest.View(t, c.n, "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Next = true, c.on, 6*time.Hour
		for i := range v.Enclosures {
			w := &v.Enclosures[i].St.Lamps
			w.HasRoom, w.Sign = c.hasRoom, climate.LampSign{Warms: true, Known: true, Moved: c.moved, Before: c.before}
		}
		if got := (look{Judge: &Judge{}, v: v, out: nil}).departs(0); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Without a room probe a heater that fails moves all alike, lamps each by what is its own.
func TestDeparts_EachByItsOwn(t *testing.T) {
	own := []float64{-0.5, -1.2, -0.7, -1.5, -0.6, -1.8}
	for _, c := range []struct {
		name  string
		moved []float64
		want  bool
	}{
		{"each by its own", own, true},
		{"all alike", []float64{-0.9, -1, -1, -0.9, -1, -1}, false},
		{"the other way round", []float64{-1.5, -0.7, -1.2, -0.5, -1.5, -0.4}, false},
	} {
		v := roomtest.View(t, len(own), "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Next = true, true, 6*time.Hour
		for i := range v.Enclosures {
			w := &v.Enclosures[i].St.Lamps
			w.On, w.Sign = true, climate.LampSign{Warms: true, Known: true, Before: 2}
			for k := range w.Course[0].Mean {
				w.Course[0].Mean[k] = float32(own[i])
			}
			for k := range 4 {
				w.Past[k].Value = c.moved[i]
			}
			w.Past[4].Value = c.moved[i]
		}
		if got := (look{Judge: &Judge{}, v: v, out: nil}).departs(0); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Lamps that went off before their time make no step when they are to go off: an enclosure
// that is cooler than it usually is then does not burn on, nor is one dark that is warmer. Two
// days differ by a part of what the lamps make, 2 °C here.
func TestSeeSwitch_TheOtherWayRound(t *testing.T) {
	for _, c := range []struct {
		on     bool
		warmer float64 // than usual beside the room
		want   climate.LampFault
	}{
		{false, -1, climate.LampsFollow}, {false, 1, climate.LampsNotOff},
		{true, 1, climate.LampsFollow}, {true, -1, climate.LampsNotOn},
		{false, -0.3, climate.LampsNotOff}, {false, -0.5, climate.LampsFollow},
		{true, 0.3, climate.LampsNotOn}, {true, 0.5, climate.LampsFollow},
	} {
		v := roomtest.View(t, 3, "")
		v.Lamps[0].On = c.on
		missing := climate.LampSign{Missing: 9, Looks: 4}
		signs(v, missing, missing, missing)
		for i := range v.Enclosures {
			w := &v.Enclosures[i].St.Lamps
			w.On = c.on
			for k := range w.Course {
				for j := range w.Course[k].Mean {
					w.Course[k].Mean[j] = 2
				}
			}
			roomtest.Usual(&v.Enclosures[i], -c.warmer, 3)
		}
		l := look{Judge: &Judge{}, v: v}
		l.seeSwitch()
		if got := l.faultOf(&v.Enclosures[0]); got != c.want {
			t.Errorf("on %v, %v °C warmer: %v", c.on, c.warmer, got)
		}
	}
}

// A room that nobody knows moves the enclosures of all timers.
func TestDeparts_OtherTimersNoRoom(t *testing.T) {
	for _, known := range []bool{true, false} {
		v := roomtest.View(t, 4, "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n")
		v.Probes[0].St.HasTemp = known
		for i := range v.Enclosures {
			v.Enclosures[i].Lamps = i % 2
			w := &v.Enclosures[i].St.Lamps
			w.On, w.HasRoom, w.Sign = true, known, climate.LampSign{Warms: true, Known: true, Moved: 3.6}
		}
		for i := range v.Lamps {
			v.Lamps[i].Next = 6 * time.Hour
		}
		if got := (look{Judge: &Judge{}, v: v, out: nil}).departs(0); got != known {
			t.Errorf("the room is known %v: %v", known, got)
		}
	}
}
