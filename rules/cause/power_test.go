package cause

import (
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

// A room that cools by day may be without power, but where its lamps are seen to add more
// than is unknown of how late enclosures follow, where a light probe sees them, and where a
// contact watches the mains.
func TestRoomOrPower(t *testing.T) {
	const mains = "[[contact]]\nid = \"mains\"\nis = \"mains\"\nchip = \"/dev/gpiochip0\"\nline = 3\n"
	for _, c := range []struct {
		name         string
		lacking, off float64 // °C
		extra        string
		set          func(v *room.View)
		want         bool
	}{
		{"the lamps are seen", 0, 3.3, "", nil, false}, {"the room fell too far for that", 0, 3.4, "", nil, true},
		{"some is lacking", 0.2, 3, "", nil, true}, {"little is", 0.2, 2.6, "", nil, false}, {"all is", 2, 1, "", nil, true},
		{"nobody knows what the lamps add", 0, 3.4, "", func(v *room.View) {
			v.Enclosures[0].St.Lamps, v.Enclosures[1].St.Lamps = climate.LampWatch{}, climate.LampWatch{}
		}, true},
		{"without a room probe", 0, 1, "", func(v *room.View) { v.Probes[0].St.HasTemp = false }, true},
		{"light is seen", 0, 9, "", func(v *room.View) {
			v.Enclosures[2].Now.HasLux, v.Enclosures[2].St.Lamps.Light.State = true, climate.LampsOn
		}, false},
		{"and is not any more", 0, 9, "", func(v *room.View) { v.Enclosures[2].St.Lamps.Light.State = climate.LampsOn }, true},
		{"half should be lit", 0, 9, "", func(v *room.View) { v.Enclosures[0].Lamps, v.Enclosures[1].Lamps = -1, -1 }, true},
		{"fewer should", 0, 9, "", func(v *room.View) { v.Enclosures[0].Lamps, v.Enclosures[1].Lamps, v.Enclosures[2].Lamps = -1, -1, -1 }, true},
		{"it is night", 0, 9, "", func(v *room.View) { v.Lamps[0].On = false }, true},
		{"a contact watches the mains", 0, 9, mains, func(v *room.View) {
			v.Touch(sensors.Contact{ID: "mains", Known: true, Active: true, At: v.At})
		}, false},
		{"it is not known what it says", 0, 9, mains, nil, true},
	} {
		v := roomtest.View(t, 4, c.extra)
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, 4*time.Hour
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			roomtest.Usual(en, 0, 3)
			en.St.Lamps.Course[1].Mean[8], en.St.Lamps.Course[1].Days[8] = 2, 3
			en.St.Thermal.Observe(climate.ThermalReading{At: time.Second, Air: 24, Room: 24, HasRoom: true, Hour: 12})
			roomtest.Says(v, 1+i, 24-c.lacking, 85)
		}
		if c.set != nil {
			c.set(v)
		}
		pic := v.Survey(v.At)
		pic.Room.HasUsual, pic.Room.Usual = pic.Room.HasTemp, 24+c.off
		got := Look{V: v}.roomOrPower(&v.Enclosures[0], pic, v.At)
		want := alarm.FactOrPower // and where no lamp can tell, what else runs
		if c.name == "it is night" || c.name == "fewer should" {
			want = alarm.FactOrPowerDark
		}
		if (got != nil) != c.want || got != nil && got.ID != want {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Lamps that went dark together may be without power, unless some burn, the pump ran since,
// or a contact watches the mains.
func TestTimerOrPower(t *testing.T) {
	const other = "[[lamps]]\nid = \"other\"\non = \"08:00-20:00\"\n"
	const mains = "[[contact]]\nid = \"mains\"\nis = \"mains\"\nchip = \"/dev/gpiochip0\"\nline = 3\n"
	ago := func(v *room.View, d time.Duration) time.Duration { return v.At.Mono - d }
	for _, c := range []struct {
		name  string
		extra string
		set   func(v *room.View)
		want  bool
	}{
		{"all of the only timer", "", func(*room.View) {}, true},
		{"half of it", "", func(v *room.View) { v.Enclosures[0].St.Lamps.Wrong, v.Enclosures[1].St.Lamps.Wrong = false, false }, true},
		{"less than half", "", func(v *room.View) {
			for i := range 3 {
				v.Enclosures[i].St.Lamps.Wrong = false
			}
		}, false},
		{"those show some of it", "", func(v *room.View) {
			for i := range 3 {
				v.Enclosures[i].St.Lamps.Wrong, v.Enclosures[i].St.Lamps.Sign.Moved = false, SomeDark
			}
		}, true},
		{"another timer's burn", other, func(v *room.View) {
			for i := range 2 {
				v.Enclosures[i].Lamps, v.Enclosures[i].St.Lamps.Wrong = 1, false
			}
		}, false},
		{"another timer's are off by now", other, func(v *room.View) {
			v.Enclosures[0].Lamps, v.Enclosures[0].St.Lamps.Wrong, v.Lamps[1].On = 1, false, false
		}, true},
		{"it misted since", "", func(v *room.View) {
			v.Enclosures[1].St.HasPulse, v.Enclosures[1].St.PulseAt = true, ago(v, 19*time.Minute)
		}, false},
		{"it misted before", "", func(v *room.View) {
			v.Enclosures[1].St.HasPulse, v.Enclosures[1].St.PulseAt = true, ago(v, 21*time.Minute)
		}, true},
		{"light is seen", "", func(v *room.View) {
			v.Enclosures[2].Now.HasLux, v.Enclosures[2].St.Lamps.Light.State = true, climate.LampsOn
		}, false},
		{"they did not go off", "", func(v *room.View) { v.Enclosures[3].St.Lamps.Fault = climate.LampsNotOff }, false},
		{"a contact watches the mains", mains, func(v *room.View) {
			v.Touch(sensors.Contact{ID: "mains", Known: true, Active: true, At: v.At})
		}, false},
	} {
		v := roomtest.View(t, 4, c.extra)
		for i := range v.Lamps {
			v.Lamps[i].Known, v.Lamps[i].On, v.Lamps[i].Edge = true, true, 4*time.Hour
		}
		for i := range v.Enclosures {
			w := &v.Enclosures[i].St.Lamps
			w.On, w.Wrong, w.Fault, w.Sign.Warms, w.OffHour = true, true, climate.LampsOffEarly, true, ago(v, 20*time.Minute)
		}
		c.set(v)
		if got := (Look{V: v}).TimerOrPower(&v.Enclosures[3]); (got != nil) != c.want || got != nil && got.ID != alarm.FactOrPowerDark {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	v := roomtest.View(t, 1, "")
	w := &v.Enclosures[0].St.Lamps
	w.On, w.Wrong, w.Fault = true, true, climate.LampsNotOn
	v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, time.Hour
	for ago, want := range map[time.Duration]bool{59 * time.Minute: false, 61 * time.Minute: true} {
		v.Enclosures[0].St.HasPulse, v.Enclosures[0].St.PulseAt = true, v.At.Mono-ago
		if got := (Look{V: v}).TimerOrPower(&v.Enclosures[0]); (got != nil) != want {
			t.Errorf("they did not come on, misted %v ago: %+v", ago, got)
		}
	}
}

// A mist that fails while the lamps are dark, or were so until they were to go off, is the
// power: two things at once.
func TestNoMist_InTheDark(t *testing.T) {
	for _, c := range []struct {
		name      string
		n, dark   int
		on, early bool
		fault     climate.LampFault
		want      alarm.CauseKind
	}{
		{"half are dark", 4, 2, true, false, climate.LampsOffEarly, alarm.CausePower},
		{"fewer", 5, 2, true, false, climate.LampsOffEarly, alarm.CauseSupply},
		{"one lamp", 2, 1, true, false, climate.LampsNotOn, alarm.CauseSupply},
		{"they were dark until the evening", 4, 2, false, true, climate.LampsOffEarly, alarm.CausePower},
		{"they follow again", 4, 4, false, false, climate.LampsOffEarly, alarm.CauseSupply},
		{"they burn by night", 4, 4, false, true, climate.LampsNotOff, alarm.CauseSupply},
	} {
		v := roomtest.View(t, c.n, "")
		for i := range c.dark {
			w := &v.Enclosures[i].St.Lamps
			w.On, w.Wrong, w.Early, w.Fault = c.on, c.on, c.early, c.fault
		}
		if got := (Look{V: v}).NoMist(&v.Enclosures[0], v.At); got.Kind != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Where no probe tells of the room, what all lack is the room's or the power's, and not said
// to be any timer's; what one lacks alone is its own.
func TestTemperature_WithoutARoom(t *testing.T) {
	for _, c := range []struct {
		name      string
		own, rest float64 // °C below what is usual
		want      alarm.CauseKind
		fact      alarm.FactID
	}{
		{"all cool", 1.5, 1.2, alarm.CauseRoom, alarm.FactAllAlike},
		{"all cool a bit", 0.7, 0.4, alarm.CauseRoom, alarm.FactAllAlike},
		{"they hardly do", 0.7, 0.3, alarm.CauseEnclosure, ""},
		{"it alone", 2, 0.1, alarm.CauseEnclosure, alarm.FactOwnDays},
	} {
		v := roomtest.View(t, 4, "")
		v.Probes[0].St.HasTemp = false
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, 4*time.Hour
		now := v.EstAt(v.At.Mono)
		v.Off.Added += 4*24*time.Hour - now
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			for at := time.Duration(0); at < v.EstAt(v.At.Mono); at += 5 * time.Minute {
				en.St.Thermal.Observe(climate.ThermalReading{At: at, Air: 23 + float64(i), Hour: 12})
			}
			by := c.rest
			if i == 0 {
				by = c.own
			}
			roomtest.Says(v, 1+i, 23+float64(i)-by, 85)
		}
		got, why := Look{V: v}.Temperature(&v.Enclosures[0], v.Survey(v.At), v.At, alarm.KindBelow)
		if got.Kind != c.want || (len(why) > 0) != (c.fact != "") || len(why) > 0 && why[0].ID != c.fact {
			t.Errorf("%s: %+v by %+v", c.name, got, why)
		}
		if c.want == alarm.CauseRoom && why[len(why)-1].ID != alarm.FactOrPower {
			t.Errorf("%s: %+v does not say that it may be the power", c.name, why)
		}
	}
}

// A room that cools while no mist comes for want of power is without it, and not at fault.
func TestTemperature_NoneMists(t *testing.T) {
	for missed, want := range map[alarm.CauseKind]alarm.CauseKind{
		alarm.CausePower: alarm.CausePower, alarm.CauseSupply: alarm.CauseRoom, "": alarm.CauseRoom,
	} {
		v := roomtest.View(t, 4, "")
		for n := range 27 {
			v.Air.Usual.Observe(float64(11+n/3%3), 24)
		}
		roomtest.Says(v, 0, 20, 50)
		for i := range v.Enclosures {
			roomtest.Says(v, 1+i, 20, 85)
		}
		r := &v.Enclosures[3].Alarms[alarm.KindMistMissing].Rec
		r.Life.Active, r.Cause.Kind = missed != "", missed
		got, why := Look{V: v}.Temperature(&v.Enclosures[0], v.Survey(v.At), v.At, alarm.KindBelow)
		if got.Kind != want || len(why) == 0 || why[0].ID != alarm.FactRoomUnusual {
			t.Errorf("missed by %q: %+v by %+v", missed, got, why)
		}
	}
}
