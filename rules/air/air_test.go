package air

import (
	"math"
	"testing"
	"time"

	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// The rule of thumb for heated air against the handbook's saturation pressures
// (Hyland–Wexler; ASHRAE Fundamentals 2017, chapter 1).
func TestMoist_SixPercentForEachDegree(t *testing.T) {
	for _, c := range [][2]float64{{18, 20}, {22, 24}, {24, 28}, {28, 31}} {
		cold, err1 := climate.SaturationPressure(c[0])
		warm, err2 := climate.SaturationPressure(c[1])
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if got, want := math.Exp(-moistPer*(c[1]-c[0])), cold/warm; math.Abs(got-want) > 0.006 {
			t.Errorf("from %v to %v °C: %.3f of the humidity is left, want %.3f", c[0], c[1], got, want)
		}
	}
}

// A probe that shows another temperature and the same humidity is not in this air: heat
// takes humidity away, unless water, a door, the lamps or the room had a part.
func TestMoist_Parted(t *testing.T) {
	for _, c := range []struct {
		name    string
		temp    int16 // now, hundredths of °C; 24 °C before
		was, is int16
		looks   int
		want    float64
	}{
		{"1.2 °C and nothing lost", 2520, 8000, 8000, 4, 1.2},
		{"less warm", 2519, 8000, 8000, 4, 0},
		{"colder, and nothing gained", 2280, 8000, 8000, 4, -1.2},
		{"too few looks", 2520, 8000, 8000, 3, 0},
		{"a fifth of what is due is lost", 2600, 8000, 7818, 4, 0}, // 80 % × (1 − e^−0.12) / 5 = 1.81 %
		{"less than that", 2600, 8000, 7820, 4, 2},
		{"gained as much", 2600, 8000, 8182, 4, 0},
		{"saturated before", 2600, 9600, 9500, 4, 0},
		{"saturated now", 2600, 9500, 9600, 4, 0},
		{"nearly", 2600, 9599, 9599, 4, 2},
		{"colder near saturation: little room for more", 2200, 9500, 9595, 4, -2}, // of 5 % a fifth is 1 %
		{"and it took that", 2200, 9500, 9601 - 1, 4, 0},
	} {
		m := room.Moist{Filled: c.looks}
		for i := range m.Temp {
			m.Temp[i], m.Hum[i] = 2400, c.was
		}
		m.Temp[0], m.Hum[0] = c.temp, c.is
		if got := parted(&m); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	const hour = 70 * time.Minute // of the looks that are kept
	for _, c := range []struct {
		name string
		set  func(v *room.View, en *room.Enclosure, now time.Duration)
		want bool
	}{
		{"nothing", func(*room.View, *room.Enclosure, time.Duration) {}, false},
		{"a mist two hours ago", func(_ *room.View, en *room.Enclosure, now time.Duration) {
			en.St.HasPulse, en.St.PulseAt = true, now-2*time.Hour
		}, false},
		{"a mist since", func(_ *room.View, en *room.Enclosure, now time.Duration) {
			en.St.HasPulse, en.St.PulseAt = true, now-2*time.Hour+1
		}, true},
		{"a door long ago", func(_ *room.View, en *room.Enclosure, now time.Duration) {
			en.St.DoorAt = now - room.MoistSlots*moistSlot
		}, false},
		{"a door since", func(_ *room.View, en *room.Enclosure, now time.Duration) {
			en.St.DoorAt = now - room.MoistSlots*moistSlot + 1
		}, true},
		{"the lamps", func(v *room.View, en *room.Enclosure, _ time.Duration) {
			v.Lamps[en.Lamps].Edge = room.MoistSlots*moistSlot - 1
		}, true},
		{"the lamps long ago", func(v *room.View, en *room.Enclosure, _ time.Duration) {
			v.Lamps[en.Lamps].Edge = room.MoistSlots * moistSlot
		}, false},
		{"the room moved", func(v *room.View, _ *room.Enclosure, now time.Duration) { v.Air.Trend = moved(now, 0.41) }, true},
		{"barely", func(v *room.View, _ *room.Enclosure, now time.Duration) { v.Air.Trend = moved(now, 0.39) }, false},
		{"nobody knows the room", func(v *room.View, _ *room.Enclosure, _ time.Duration) { v.Air.Trend = climate.Trend{} }, true},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		v.Lamps[0].Known, v.Lamps[0].Edge, v.Air.Trend = true, 4*hour, moved(v.At.Mono, 0)
		c.set(v, en, v.At.Mono)
		if got := (look{v}).moistExcused(en, v.At.Mono); got != c.want {
			t.Errorf("%s: excused %v", c.name, got)
		}
	}
}

// moved is a trend over half an hour.
func moved(now time.Duration, by float64) (tr climate.Trend) {
	for m := range 31 {
		tr.Observe(now-31*time.Minute+time.Duration(m)*time.Minute, 22+by*math.Floor(float64(m)/15.5))
	}
	return tr
}

// An enclosure learns once a day, in the small hours where the hour is known and after
// 30 h in any case, and one at a time.
func TestRefit_WhenItIsDue(t *testing.T) {
	for _, c := range []struct {
		hour  int // -1 for no clock
		since time.Duration
		want  bool
	}{
		{2, 20 * time.Hour, true}, {2, 20*time.Hour - 1, false}, {1, 29 * time.Hour, false}, {4, 29 * time.Hour, true},
		{5, 29 * time.Hour, false}, {5, 30 * time.Hour, true}, {-1, 20 * time.Hour, true},
	} {
		v := roomtest.View(t, 2, "")
		v.At.Mono = 100 * time.Hour
		v.At.Wall, v.At.Synced = time.Date(2026, 3, 2, max(c.hour, 0), 0, 0, 0, time.UTC), c.hour >= 0
		v.ReadClock(v.At)
		for i := range v.Enclosures {
			v.Enclosures[i].St.RefitAt = v.At.Mono - c.since
		}
		(look{v}).refit(v.At)
		if got := v.Enclosures[0].St.RefitAt == v.At.Mono; got != c.want || v.Enclosures[1].St.RefitAt == v.At.Mono {
			t.Errorf("%+v: learned %v", c, got)
		}
	}
}

// The room's air is looked at once a minute, mists and doors keep a reading out of what
// is learned.
func TestRoom_OnceAMinute(t *testing.T) {
	v := roomtest.View(t, 1, "")
	l := look{v}
	for after, want := range map[time.Duration]bool{room.SlowEvery: true, room.SlowEvery - 1: false} {
		v.Air.SlowAt = v.At.Mono - after
		if l.estimateRoom(v.At); (v.Air.SlowAt == v.At.Mono) != want {
			t.Errorf("%v after the last: looked %v", after, !want)
		}
	}
	if v.Air.SlowAt = 0; true {
		early := v.At
		early.Mono = room.SlowEvery / 2
		for i := range v.Probes {
			v.Probes[i].St.TempAt = early.Mono
		}
		if l.estimateRoom(early); v.Air.SlowAt != early.Mono {
			t.Error("the first reading waits")
		}
	}
	v = roomtest.View(t, 1, "")
	l = look{v}
	en := &v.Enclosures[0]
	for misted, want := range map[bool]bool{true: false, false: true} {
		en.St.Offset, en.St.HasPulse, en.St.PulseAt = climate.HourOffset{}, misted, v.At.Mono
		if l.learn(en, v.At, 26, 25); (en.St.Offset != climate.HourOffset{}) != want {
			t.Errorf("misted %v: learned %v", misted, !want)
		}
	}
	for lamps, want := range map[int]climate.Lamps{0: climate.LampsOn, -1: climate.LampsUnknown} {
		en.Lamps, v.Lamps[0].Known, v.Lamps[0].On = lamps, true, true
		en.St.Thermal = climate.NewThermal(90)
		if l.learn(en, v.At, 26, 25); en.St.Thermal.LastLamp != want {
			t.Errorf("timer %d is on: %v", lamps, en.St.Thermal.LastLamp)
		}
	}
	for ago, want := range map[time.Duration]bool{20*time.Minute - 1: true, 20 * time.Minute: false} {
		en.St.HasPulse, en.St.PulseAt = true, v.At.Mono-ago
		if got := l.disturbedModel(en, v.At.Mono); got != want {
			t.Errorf("a mist %v ago: disturbed %v", ago, got)
		}
	}
}
