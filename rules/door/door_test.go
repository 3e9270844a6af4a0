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

// Lamps that switched within half an hour and a mist of the last twenty minutes disturb
// what a door is told by.
func TestDisturbed_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		edge, misted time.Duration
		want         bool
	}{{30*time.Minute - 1, time.Hour, true}, {30 * time.Minute, time.Hour, false}, {time.Hour, 20*time.Minute - 1, true}, {time.Hour, 20 * time.Minute, false}} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		v.Lamps[0].Known, v.Lamps[0].Edge = true, c.edge
		en.St.Mist.Phase, en.St.HasPulse, en.St.PulseAt = 1, true, v.At.Mono-c.misted
		if got := (look{v, nil}).disturbed(en, v.At.Mono); got != c.want {
			t.Errorf("%+v: disturbed %v", c, got)
		}
		en.St.Mist.Phase = 0
		if got := (look{v, nil}).disturbed(en, v.At.Mono); got != (c.edge < 30*time.Minute) {
			t.Errorf("%+v, dried: disturbed %v", c, got)
		}
	}
}

// A door that opens excuses the floor for a while; one that stays so no longer, and is
// told: the room's air comes in.
func TestStep_Opens(t *testing.T) {
	v := roomtest.View(t, 1, "")
	found := &roomtest.Found{}
	v.Due, v.Enclosure = room.Quick, &v.Enclosures[0]
	v.Lamps[0].Edge = 4 * time.Hour
	en, opened := v.Enclosure, time.Duration(0)
	for i := range 90 {
		v.At = v.At.Add(20 * time.Second)
		roomtest.Says(v, 0, 20, 40)
		if i < 30 {
			roomtest.Says(v, 1, 24, 85)
		} else {
			roomtest.Says(v, 1, 21, 50)
		}
		Judge{}.Step(v, &room.Out{Lives: found})
		if en.St.HasExcuse && opened == 0 {
			opened = v.At.Mono
			if en.St.DoorAt != opened || en.St.Excused != opened+v.Cfg.Rules.DoorExcuse.D() {
				t.Errorf("%v, %v", en.St.DoorAt, en.St.Excused)
			}
		}
	}
	f, ok := found.Last(alarm.KindDoorAjar)
	if opened != roomtest.Noon.Mono+31*20*time.Second && opened != roomtest.Noon.Mono+32*20*time.Second || !ok || f.In != alarm.Beyond || en.St.HasExcuse {
		t.Errorf("opened at %v; told %v", opened-roomtest.Noon.Mono, ok)
	}
	// Of one that never shuts the climate is the usual one after half a day, and its lamps
	// warm less than they did.
	en.St.Lamps.Course[1].Days[0] = 8
	for i := range 12 * 60 {
		v.At = v.At.Add(time.Minute)
		roomtest.Says(v, 0, 20, 40)
		roomtest.Says(v, 1, 21, 50)
		Judge{}.Step(v, &room.Out{Lives: found})
		if i == 11*60 && en.St.Lamps.Course[1].Days[0] == 0 {
			t.Error("the lamps are forgotten while the door is ajar")
		}
	}
	if days := en.St.Lamps.Course[1].Days[0]; en.St.Door.Ajar() || days != 0 {
		t.Errorf("ajar %v, lamps known for %v days", en.St.Door.Ajar(), days)
	}
}

// Figures of half a degree cannot show that a door let the room's temperature in, where the
// room is a degree away: the water that went tells it. Fine figures show that none came in.
func TestStep_CoarseFigures(t *testing.T) {
	for _, c := range []struct {
		own, room float64 // °C, steps of the figures
		want      bool
	}{{0.01, 0.01, false}, {0.5, 0.01, true}, {0.01, 0.5, true}} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		v.Due, v.Enclosure = room.Quick, &v.Enclosures[0]
		v.Lamps[0].Edge = 4 * time.Hour
		v.Enclosure.St.Trend.Grain, v.Air.Trend.Grain = c.own, c.room
		for i := range 120 {
			v.At = v.At.Add(20 * time.Second)
			roomtest.Says(v, 0, 22, 50)
			roomtest.Says(v, 1, 23, 90)
			if i >= 30 {
				roomtest.Says(v, 1, 23, 60)
			}
			Judge{}.Step(v, &room.Out{Lives: found})
		}
		if _, told := found.Last(alarm.KindDoorAjar); told != c.want {
			t.Errorf("%+v: told %v", c, told)
		}
	}
}
