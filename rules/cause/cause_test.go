package cause

import (
	"math"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
)

// Which enclosure is the odd one, by signs and sizes alone.
func TestOdd(t *testing.T) {
	known := climate.Case{HasTemp: true, HasOffset: true, HasChange: true}
	fresh := climate.Case{HasTemp: true, HasChange: true}
	for _, c := range []struct {
		name string
		c    climate.Case
		f    climate.Finding
		side float64
		room bool
		want bool
	}{
		{"a heater", known, climate.Finding{Residual: 3, Median: 0.1, Judged: 12}, 1, false, true},
		{"a heater in a hot room", known, climate.Finding{Residual: 4, Median: 0.5, Judged: 12}, 1, true, true},
		{"cooler than usual, less than the rest", known, climate.Finding{Residual: -1.1, Median: -2.9, Judged: 12}, 1, true, false},
		{"cooler than usual in a cool room", known, climate.Finding{Residual: -1.3, Median: -2.8, Judged: 12}, 1, false, false},
		{"the coolest when it is cold", known, climate.Finding{Residual: -3, Median: -0.2, Judged: 12}, -1, false, true},
		{"a little beyond what all are", known, climate.Finding{Residual: -2.2, Median: -1.3, Judged: 12}, -1, false, false},
		{"a cool shelf on the first day", fresh, climate.Finding{Residual: -1.1, Median: 1.2, Judged: 12}, 1, true, false},
		{"a warm shelf on the first day", fresh, climate.Finding{Residual: 2, Median: 0.2, Judged: 12}, 1, true, false},
		{"a heater on the first day", fresh, climate.Finding{Residual: 6, Median: 0.2, Judged: 12}, 1, false, true},
		{"the only one, with its room", known, climate.Finding{Residual: 1, Judged: 1, RoomOff: 4}, 1, true, false},
		{"the only one, by itself", known, climate.Finding{Residual: 3, Judged: 1}, 1, false, true},
	} {
		if got := odd(&climate.Picture{}, &c.c, &c.f, c.side, c.room); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// All too warm in a room that is as usual is not the lamp timer while the lamps should
// be on, nor where they were seen to go off: that is the evening after a hot day.
func TestCommonCause_LampsOnlyWhereTheyMay(t *testing.T) {
	for _, c := range []struct {
		name     string
		on       bool
		side     float64
		switched bool
		want     alarm.CauseKind
	}{
		{"too warm by day", true, hotter, false, alarm.CauseRoom},
		{"too warm in the evening, lamps went off", false, hotter, true, alarm.CauseRoom},
		{"too warm in the evening", false, hotter, false, alarm.CauseLamps},
		{"too cold by day", true, colder, false, alarm.CauseLamps},
		{"too cold by night", false, colder, false, alarm.CauseRoom},
	} {
		v := roomtest.View(t, 4, "")
		v.Lamps[0].On = c.on
		for i := range v.Enclosures {
			sign := climate.LampSign{Looks: 9}
			if c.switched {
				sign.Missing = -6
			}
			v.Enclosures[i].St.Lamps.Sign = sign
		}
		got, _ := Look{V: v}.commonCause(&v.Enclosures[0], &climate.Finding{Median: c.side}, c.side)
		if got.Kind != c.want {
			t.Errorf("%s: %v, want %v", c.name, got.Kind, c.want)
		}
	}
}

// Each bound of what makes an enclosure the odd one, or its shelf, or the room.
func TestCause_AtItsLimits(t *testing.T) {
	known := climate.Case{HasTemp: true, HasOffset: true}
	fresh := climate.Case{HasTemp: true, HasChange: true, Change: 0.61}
	slow := climate.Case{HasTemp: true, HasChange: true, Change: 0.6}
	for _, c := range []struct {
		name string
		c    climate.Case
		f    climate.Finding
		side float64
		room bool
		want bool
	}{
		{"alone, 0.8 °C from its place", known, climate.Finding{Residual: 0.8, Judged: 2}, 1, false, false},
		{"alone, more", known, climate.Finding{Residual: 0.81, Judged: 2}, 1, false, true},
		{"alone, as much as its room", known, climate.Finding{Residual: 2, Judged: 2, RoomOff: 2}, 1, false, false},
		{"alone, colder by more", known, climate.Finding{Residual: -0.81, Judged: 2, RoomOff: -0.5}, -1, false, true},
		{"0.8 °C from the others", known, climate.Finding{Residual: 0.8, Judged: 3}, 1, false, false},
		{"more", known, climate.Finding{Residual: 0.81, Judged: 3}, 1, false, true},
		{"0.4 °C of its own", known, climate.Finding{Residual: 0.4, Median: -2, Judged: 3}, 1, false, false},
		{"more of its own", known, climate.Finding{Residual: 0.41, Median: -2, Judged: 3}, 1, false, true},
		{"four deviations", known, climate.Finding{Residual: 2, Scale: 0.5, Judged: 3}, 1, false, false},
		{"more deviations", known, climate.Finding{Residual: 2.01, Scale: 0.5, Judged: 3}, 1, false, true},
		{"twice what all are", known, climate.Finding{Residual: 4, Median: 2, Judged: 3}, 1, false, false},
		{"more than twice", known, climate.Finding{Residual: 4.01, Median: 2, Judged: 3}, 1, false, true},
		{"outruns its peers", fresh, climate.Finding{Judged: 3}, 1, false, true},
		{"outruns them in a room that rises", fresh, climate.Finding{Residual: 0.6, Judged: 3}, 1, true, false},
		{"and stands out", fresh, climate.Finding{Residual: 0.61, Judged: 3}, 1, true, true},
		{"moves by a bit more", slow, climate.Finding{Residual: 2, Judged: 3}, 1, false, false},
		{"3 °C apart on the first day", slow, climate.Finding{Residual: 3, Judged: 3}, 1, false, false},
		{"more on the first day", slow, climate.Finding{Residual: 3.01, Judged: 3}, 1, false, true},
	} {
		if got := odd(&climate.Picture{}, &c.c, &c.f, c.side, c.room); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	for _, c := range []struct {
		name          string
		known         bool
		by, own, side float64
		want          bool
	}{
		{"as climate has it", true, 0.5, 2, 1, true}, {"it is where it usually is", true, 2, 0.4, 1, false},
		{"it is not", true, 2, 0.41, 1, true}, {"colder", true, -1.01, -2, -1, true}, {"on the other side", true, -2, -2, 1, false},
		{"2.5 °C on the first day", false, 2.5, 0, 1, false}, {"more on the first day", false, 2.51, 0, 1, true},
	} {
		f := climate.Finding{ShelfOff: true, ShelfBy: c.by, Residual: c.own}
		if got := shelfOdd(&climate.Case{HasOffset: c.known}, &f, c.side); got != c.want {
			t.Errorf("a shelf, %s: %v", c.name, got)
		}
	}
	for median, want := range map[float64]bool{-1.9: true, -2: false} { // where all are off it is not the shelf
		f := climate.Finding{ShelfOff: true, ShelfBy: -2, Residual: -4, Median: median}
		if got := shelfOdd(&climate.Case{HasOffset: true}, &f, colder); got != want {
			t.Errorf("a shelf, all off by %v: %v", median, got)
		}
	}
	for _, c := range []struct {
		name         string
		temp, change float64 // 24 °C are usual
		side         float64
		want         alarm.FactID
	}{
		{"1 °C off", 25, 0, hotter, alarm.FactRoomUnusual}, {"less", 24.9, 0, hotter, ""}, {"colder", 23, 0, colder, alarm.FactRoomUnusual},
		{"0.5 °C off and going on", 24.5, 0.5, hotter, alarm.FactRoomUnusual}, {"going on more slowly", 24.5, 0.49, hotter, ""},
		{"0.3 °C off and going on", 24.3, 2, hotter, ""}, {"coming back", 24.5, -0.5, hotter, ""}, {"cooling on", 23.5, -0.5, colder, alarm.FactRoomUnusual},
	} {
		pic := climate.Picture{Room: climate.RoomCase{Temp: c.temp, HasTemp: true, Usual: 24, HasUsual: true, Change: c.change, HasChange: true}}
		v := roomtest.View(t, 1, "")
		got := Look{V: v}.roomExplains(&v.Enclosures[0], &pic, c.side)
		if (got == nil) != (c.want == "") || got != nil && (got.ID != c.want || float64(got.Temperature) != c.temp || got.Cooler != (c.side < 0)) {
			t.Errorf("a room, %s: %+v", c.name, got)
		}
	}
	at := climate.Picture{Room: climate.RoomCase{Temp: roomOffMoves, HasTemp: true, HasUsual: true, Change: roomMoves, HasChange: true}} // 0 °C are usual
	if v := roomtest.View(t, 1, ""); (Look{V: v}).roomExplains(&v.Enclosures[0], &at, hotter) == nil {
		t.Error("a room that is off by just so much and goes on explains nothing")
	}
	for _, c := range []struct {
		name         string
		temp, change float64 // hundredths beside the band's end for temp
		side         float64
		edge         time.Duration // since the lamps switched
		want         alarm.FactID
	}{
		{"at any band's upper end", 0, 0, hotter, 4 * time.Hour, alarm.FactRoomOutside}, {"below it", -0.01, 0, hotter, 4 * time.Hour, ""},
		{"at any band's lower end", 0, 0, colder, 4 * time.Hour, alarm.FactRoomOutside}, {"above it", 0.01, 0, colder, 4 * time.Hour, ""},
		{"it rises by half a degree", -1, 0.5, hotter, 4 * time.Hour, alarm.FactRoomMoved}, {"by less", -1, 0.49, hotter, 4 * time.Hour, ""},
		{"it falls", 1, -0.5, colder, 4 * time.Hour, alarm.FactRoomMoved}, {"it falls, and it is hot", -1, -0.5, hotter, 4 * time.Hour, ""},
		{"the lamps just switched", -1, 0.5, hotter, time.Hour - 1, ""}, {"an hour ago", -1, 0.5, hotter, time.Hour, alarm.FactRoomMoved},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		v.Lamps[0].Known, v.Lamps[0].Edge = true, c.edge
		l := en.Limits
		end := max(l.DayHigh, l.NightHigh)
		if c.side < 0 {
			end = min(l.DayLow, l.NightLow)
		}
		r := climate.RoomCase{Temp: float64(end)/100 + c.temp, HasTemp: true, Change: c.change, HasChange: true}
		got := Look{V: v}.firstDaysExplain(en, &r, c.side)
		if (got == nil) != (c.want == "") || got != nil && got.ID != c.want {
			t.Errorf("on the first days, %s: %+v", c.name, got)
		}
	}
	// Without a room probe: most of at least three moved alike.
	for _, c := range []struct {
		up, all int
		want    bool
	}{{3, 3, true}, {2, 2, false}, {7, 10, true}, {6, 10, false}, {2, 3, false}} {
		v := roomtest.View(t, 1, "")
		v.Lamps[0].Known, v.Lamps[0].Edge = true, 4*time.Hour
		pic := climate.Picture{Up: c.up, Changed: c.all}
		got := Look{V: v}.roomExplains(&v.Enclosures[0], &pic, hotter)
		if (got != nil) != c.want || got != nil && (got.Count != c.up || got.Of != c.all) {
			t.Errorf("%d of %d moved: %+v", c.up, c.all, got)
		}
		if (Look{V: v}).roomExplains(&v.Enclosures[0], &pic, colder) != nil {
			t.Error("what warms makes it cold")
		}
	}
}

// What all have in common is told by how far they and the room are away.
func TestSharedCause_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name         string
		all, roomOff float64
		own          float64
		judged       int
		past         int // enclosures past their band
		want         alarm.FactID
	}{
		{"all 0.8 °C", 0.8, 0, 0.8, 3, 0, ""}, {"all more", 0.81, 0, 0.8, 3, 0, alarm.FactAllApart},
		{"too few to say", 0.81, 0, 0.8, 2, 0, ""},
		{"all and the room together", 0.41, 0.4, 2, 3, 0, alarm.FactRoomAndAll}, {"less together", 0.4, 0.4, 2, 3, 0, ""},
		{"all, and the room the other way", 0.8, -0.4, 2, 3, 0, ""},
		{"half of all past their bands", 0, 0, 2, 4, 2, alarm.FactPastBands}, {"less than half", 0, 0, 2, 4, 1, ""},
		{"the room more than it", 0, 0.5, 0.5, 4, 0, alarm.FactRoomMore}, {"it more than the room", 0, 0.5, 0.51, 4, 0, ""},
		{"the room a bit", 0, 0.3, 0.1, 4, 0, alarm.FactRoomMore}, {"less than a bit", 0, 0.29, 0.1, 4, 0, ""},
	} {
		v := roomtest.View(t, 4, "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, false, 4*time.Hour
		f := climate.Finding{Median: c.all, RoomOff: c.roomOff, Residual: c.own, Judged: c.judged}
		pic := climate.Picture{Room: climate.RoomCase{Temp: 25, HasTemp: true}, Above: c.past}
		_, why := Look{V: v}.sharedCause(&v.Enclosures[0], &pic, &climate.Case{HasOffset: true}, &f, hotter)
		if (len(why) > 0) != (c.want != "") || len(why) > 0 && why[0].ID != c.want {
			t.Errorf("%s: %+v", c.name, why)
		}
	}
	// A band is passed by more than its edge, on either side.
	v := roomtest.View(t, 4, "")
	for i, by := range []int32{0, 1, 2, -1} {
		low, high, _ := v.Band(&v.Enclosures[i])
		v.Enclosures[i].Now.Main, v.Enclosures[i].Now.HasTemp = low-by, true
		if by < 0 {
			v.Enclosures[i].Now.Main = high - by
		}
	}
	if pic := v.Survey(v.At); pic.Below != 2 || pic.Above != 1 {
		t.Errorf("%d are below their band, %d above", pic.Below, pic.Above)
	}
	// A probe that contradicts itself is only blamed where no animal would be in danger.
	en := &v.Enclosures[0]
	for _, c := range []struct {
		hot, cold int32
		want      bool
	}{{-1, 1, true}, {0, 1, false}, {-1, 0, false}} {
		en.Now.Hot, en.Now.Cold = en.Limits.Warn+c.hot, en.Limits.Cold+c.cold
		if mild(en) != c.want {
			t.Errorf("%+v: mild %v", c, !c.want)
		}
	}
	for rise, want := range map[float64]bool{2: true, -2: false, 0: false} {
		if got := moistApart(&room.Moist{Apart: 5, Rise: rise}, hotter); (got != nil) != want {
			t.Errorf("%v °C without its humidity: %+v", rise, got)
		}
	}
	if moistApart(&room.Moist{Rise: 2}, hotter) != nil {
		t.Error("nothing parted")
	}
}

// Who lacks most of the lamps' warmth is told by at least three, half of all, at their
// noon, beside the room as they follow it.
func TestPower_AtItsLimits(t *testing.T) {
	type room struct {
		name          string
		n, lit, gone  int
		edge          time.Duration
		gain, lacking float64
		fell          float64 // °C that the room fell just now
		misted, want  bool
	}
	base := room{n: 4, lit: 4, gone: 4, edge: time.Hour, gain: 2, lacking: 1.21, want: true}
	as := func(name string, change func(*room)) room {
		r := base
		r.name = name
		change(&r)
		return r
	}
	for _, c := range []room{
		as("all lack most", func(*room) {}), as("less", func(r *room) { r.lacking, r.want = 1.19, false }),
		as("three of four lack all", func(r *room) { r.gone, r.lacking = 3, 2 }), as("two of four, and more", func(r *room) { r.gone, r.lacking, r.want = 2, 9, false }),
		as("half of all are lit", func(r *room) { r.n, r.lit, r.gone = 6, 3, 3 }), as("less than half", func(r *room) { r.n, r.lit, r.gone, r.want = 7, 3, 3, false }),
		as("two are lit", func(r *room) { r.n, r.lit, r.gone, r.want = 2, 2, 2, false }),
		as("lit for just 20 min", func(r *room) { r.edge, r.want = 20*time.Minute, false }), as("lit for more", func(r *room) { r.edge = 20*time.Minute + 1 }),
		as("lamps that nobody knows yet", func(r *room) { r.gain = 0 }), as("of which they lack little", func(r *room) { r.gain, r.lacking, r.want = 0, 1.19, false }),
		as("faint lamps", func(r *room) { r.gain, r.lacking, r.want = 0.29, 3, false }), as("lamps just not so faint", func(r *room) { r.gain, r.lacking = 0.3, 0.3 }),
		as("misted an hour ago", func(r *room) { r.gain, r.lacking, r.misted = 1, 0.72, true }), as("which cools them still", func(r *room) { r.gain, r.lacking, r.misted, r.want = 1, 0.71, true, false }),
		// A room that just fell by 3 °C leaves them 2.1 °C warmer beside it than usual.
		as("a room that fell", func(r *room) { r.fell, r.lacking = 3, -0.89 }), as("and they lag behind", func(r *room) { r.fell, r.lacking, r.want = 3, -0.91, false }),
	} {
		v := roomtest.View(t, c.n, "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, c.edge
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			if i >= c.lit {
				en.Lamps = -1
			}
			for range 3 {
				for h := 11; h < 14; h++ {
					for range 3 {
						en.St.Offset.Observe(float64(h), 0)
					}
				}
			}
			if c.gain > 0 {
				en.St.Lamps.Course[1].Mean[8], en.St.Lamps.Course[1].Days[8] = float32(c.gain), 3
			}
			for m, room := range []float64{24 + c.fell, 24} {
				en.St.Thermal.Observe(climate.ThermalReading{At: time.Duration(m) * time.Second, Air: 24, Room: room, HasRoom: true, Hour: 12})
			}
			if en.St.HasPulse, en.St.PulseAt = c.misted, v.At.Mono-time.Hour; i < c.gone {
				roomtest.Says(v, 1+i, 24-c.lacking, 85)
			}
		}
		got := Look{V: v}.LampsGone()
		if (got != nil) != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
		v.Probes[0].St.HasTemp = false
		if (Look{V: v}).LampsGone() != nil {
			t.Errorf("%s: told without a room", c.name)
		}
	}
	for _, c := range []struct {
		name    string
		missing []float64
		want    bool
	}{
		{"seen by two of three", []float64{-3, -3, 0}, true}, {"by half", []float64{-3, -3, 0, 0}, false}, {"hardly", []float64{-2.9, -2.9, -3}, false},
	} {
		v := roomtest.View(t, len(c.missing), "")
		for i, m := range c.missing {
			v.Enclosures[i].St.Lamps.Sign = climate.LampSign{Looks: 1, Missing: m}
		}
		if got := (Look{V: v}).lampsSwitched(0); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
		if (Look{V: v}).lampsSwitched(1) {
			t.Errorf("%s: another timer", c.name)
		}
	}
	for _, c := range []struct {
		name   string
		n, lit int
		edge   time.Duration
		by     float64
		misted time.Duration
		want   bool
	}{
		{"all cool by 0.3 °C", 3, 3, time.Hour, -0.3, 0, true}, {"by 0.2 °C", 3, 3, time.Hour, -0.2, 0, false}, {"all warm", 3, 3, time.Hour, 0.3, 0, false},
		{"two", 3, 2, time.Hour, -0.3, 0, false}, {"half", 6, 3, time.Hour, -0.3, 0, true}, {"less than half", 7, 3, time.Hour, -0.3, 0, false},
		{"lit for 45 min", 3, 3, 45 * time.Minute, -0.3, 0, false}, {"for more", 3, 3, 45*time.Minute + 1, -0.3, 0, true},
		{"just misted", 3, 3, time.Hour, -0.3, 45*time.Minute - 1, false}, {"misted before", 3, 3, time.Hour, -0.3, 45 * time.Minute, true},
	} {
		v := roomtest.View(t, c.n, "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, c.edge
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			if i >= c.lit {
				en.Lamps = -1
			}
			for m := range 31 {
				en.St.Trend.Observe(v.At.Mono-31*time.Minute+time.Duration(m)*time.Minute, 24+c.by*math.Floor(float64(m)/15.5))
			}
			en.St.HasPulse, en.St.PulseAt = c.misted > 0, v.At.Mono-c.misted
		}
		if got := (Look{V: v}).Darkens(v.At.Mono); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// A floor that is reached is the room's doing where that is drier than usual, or where
// most of at least three are at it.
func TestDry_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name   string
		n, dry int
		drier  float64
		want   alarm.FactID
	}{
		{"three of three", 3, 3, 0, alarm.FactAtFloor}, {"two of two", 2, 2, 0, ""}, {"seven of ten", 10, 7, 0, alarm.FactAtFloor}, {"six of ten", 10, 6, 0, ""},
		{"a room that is drier by 8 %", 1, 1, 8, alarm.FactRoomDry}, {"by less", 1, 1, 7.9, ""}, {"at midnight", 1, 1, 8, alarm.FactRoomDry},
	} {
		v := roomtest.View(t, c.n, "")
		if c.name == "at midnight" {
			v.At.Wall = v.At.Wall.Add(12 * time.Hour)
			v.ReadClock(v.At)
		}
		for i := range 24*3 + 1 {
			for range 3 {
				v.Air.UsualHum.Observe(float64(i%24), 85+c.drier)
				v.Air.Usual.Observe(float64(i%24), 24)
			}
		}
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			en.Now.Hum = en.Limits.Floor + 1
			if i < c.dry {
				en.Now.Hum--
			}
		}
		_, why := Look{V: v}.Dry(&v.Enclosures[0], v.At)
		if (len(why) > 0) != (c.want != "") || len(why) > 0 && why[0].ID != c.want {
			t.Errorf("%s: %+v", c.name, why)
		}
	}
}

// Who is blamed first for an enclosure that is too warm or too cold: the mains, lamps that
// are told to be stuck, a probe that cannot be right, and one that merely disagrees only
// where nothing else is at fault and nobody would be in danger.
func TestTemperature_WhoComesFirst(t *testing.T) {
	own, probe := alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}, alarm.Cause{Kind: alarm.CauseProbe, ID: "p1"}
	stuck := alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}
	apartNow := func(v *room.View) {
		v.Probes[1].Alarm(alarm.KindDisagrees).Rec.Life.Active = true
	}
	for _, c := range []struct {
		name string
		kind alarm.Kind
		set  func(v *room.View, en *room.Enclosure)
		want alarm.Cause
		fact alarm.FactID // among the evidence; empty for whatever
	}{
		{"nothing is known", alarm.KindAbove, func(*room.View, *room.Enclosure) {}, own, ""},
		{"the probe disagrees, and it is mild", alarm.KindAbove, func(v *room.View, _ *room.Enclosure) { apartNow(v) }, probe, alarm.FactDisagrees},
		{"and it is warm", alarm.KindAbove, func(v *room.View, en *room.Enclosure) { apartNow(v); en.Now.Hot = en.Limits.Warn }, own, alarm.FactDisagrees},
		{"nearly so", alarm.KindAbove, func(v *room.View, en *room.Enclosure) { apartNow(v); en.Now.Hot = en.Limits.Warn - 1 }, probe, alarm.FactDisagrees},
		{"and nobody knows", alarm.KindAbove, func(v *room.View, en *room.Enclosure) { apartNow(v); en.Now.HasTemp = false }, own, alarm.FactDisagrees},
		{"too cold, however warm", alarm.KindBelow, func(v *room.View, en *room.Enclosure) { apartNow(v); en.Now.Hot = en.Limits.Warn }, probe, alarm.FactDisagrees},
		{"the probe is doubted, and it is warm", alarm.KindAbove, func(v *room.View, en *room.Enclosure) {
			v.Probes[1].St.Doubtful, en.Now.Hot = true, en.Limits.Lethal
		}, probe, alarm.FactDoubted},
		{"the lamps are stuck", alarm.KindAbove, func(_ *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
		}, stuck, alarm.FactLampsDark},
		{"the lamps are stuck, and the room is hot", alarm.KindAbove, func(v *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
			en.St.Lamps.Fault = climate.LampsNotOff
			roomtest.Says(v, 0, 40, 50)
		}, stuck, alarm.FactLampsDark},
		{"they are dark, and the room is cold", alarm.KindBelow, func(v *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
			en.St.Lamps.Fault = climate.LampsNotOn
			roomtest.Says(v, 0, 10, 50)
		}, alarm.Cause{Kind: alarm.CausePower}, alarm.FactLampsDark},
		{"they are lit, and the room is cold", alarm.KindBelow, func(v *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
			en.St.Lamps.Fault = climate.LampsNotOff
			roomtest.Says(v, 0, 10, 50)
		}, alarm.Cause{Kind: alarm.CauseRoom}, alarm.FactRoomOutside},
		{"they are dark, and the room is hot", alarm.KindAbove, func(v *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
			en.St.Lamps.Fault = climate.LampsOffEarly
			roomtest.Says(v, 0, 40, 50)
		}, alarm.Cause{Kind: alarm.CausePower}, alarm.FactLampsDark},
		{"they are dark, and it is hot", alarm.KindAbove, func(_ *room.View, en *room.Enclosure) {
			en.Alarms[alarm.KindLampStuck].Rec.Life.Active, en.Alarms[alarm.KindLampStuck].Rec.Cause = true, stuck
			en.St.Lamps.Fault = climate.LampsNotOn
		}, own, ""},
		{"the room is cold by day", alarm.KindBelow, func(v *room.View, _ *room.Enclosure) { roomtest.Says(v, 0, 10, 50) }, alarm.Cause{Kind: alarm.CauseRoom}, alarm.FactOrPower},
		{"the room is hot", alarm.KindAbove, func(v *room.View, _ *room.Enclosure) { roomtest.Says(v, 0, 40, 50) }, alarm.Cause{Kind: alarm.CauseRoom}, alarm.FactRoomOutside},
	} {
		v := roomtest.View(t, 1, "")
		v.Lamps[0].Known, v.Lamps[0].Edge = true, 4*time.Hour
		en := &v.Enclosures[0]
		c.set(v, en)
		got, why := Look{V: v}.Temperature(en, v.Survey(v.At), v.At, c.kind)
		has := c.fact == ""
		for _, f := range why {
			has = has || f.ID == c.fact
		}
		if got != c.want || !has {
			t.Errorf("%s: %+v by %+v", c.name, got, why)
		}
	}
}

// Heat that a sound probe tells is not made by another one that is doubted: that is told
// beside it. What only the doubted one tells, and cold, is its own.
func TestTemperature_HeatOfAnotherProbe(t *testing.T) {
	twin := "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"e1\"\n"
	stands := func(st *room.ProbeState) {
		st.HasPeers, st.PeerHigh, st.PeerLow, st.StillAt = true, 2450, 2400, roomtest.Noon.Mono-5*time.Hour
	}
	for _, c := range []struct {
		name        string
		sound, said float64 // °C
		doubt       func(st *room.ProbeState)
		kind        alarm.Kind
		want        alarm.CauseKind
	}{
		{"it froze, and the other is lethal", 31, 24, stands, alarm.KindLethal, alarm.CauseEnclosure},
		{"and warmer", 27, 24, stands, alarm.KindAbove, alarm.CauseEnclosure},
		{"it is the warmer one", 24, 27, stands, alarm.KindAbove, alarm.CauseProbe},
		{"too cold", 18, 17, stands, alarm.KindBelow, alarm.CauseProbe},
		{"it leaps, and the other is hot", 29, 24, func(st *room.ProbeState) { st.Doubtful, st.Doubt = true, 4000 }, alarm.KindAbove, alarm.CauseEnclosure},
		{"the other is not", 24, 24, func(st *room.ProbeState) { st.Doubtful, st.Doubt = true, 4000 }, alarm.KindLethal, alarm.CauseProbe},
	} {
		v := roomtest.View(t, 1, twin)
		en, p := &v.Enclosures[0], &v.Probes[1]
		roomtest.Says(v, 1, c.said, 85)
		roomtest.Says(v, 2, c.sound, 85)
		c.doubt(&p.St)
		v.Combine(en, v.At.Mono)
		got, why := Look{V: v}.Temperature(en, v.Survey(v.At), v.At, c.kind)
		told := false
		for _, f := range why {
			told = told || f.ID == alarm.FactStands || f.ID == alarm.FactDoubted
		}
		if got.Kind != c.want || !told {
			t.Errorf("%s: %+v by %+v", c.name, got, why)
		}
	}
}

// A doubt is told by what it is, with how long and how far.
func TestDoubt_IsTold(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(p *room.Probe, now time.Duration)
		want alarm.Fact
	}{
		{"exchanged", func(p *room.Probe, _ time.Duration) { p.St.Swap.With = "p9" }, alarm.Fact{ID: alarm.FactSwappedWith, About: "p9"}},
		{"it leapt", func(p *room.Probe, now time.Duration) { p.St.Leap, p.St.LeapAt = 350, now-10*time.Minute }, alarm.Fact{ID: alarm.FactLeapt, For: 10 * time.Minute, Delta: 3.5}},
		{"it stands", func(p *room.Probe, now time.Duration) {
			p.St.HasPeers, p.St.PeerHigh, p.St.PeerLow, p.St.StillAt = true, 2450, 2400, now-5*time.Hour
		}, alarm.Fact{ID: alarm.FactStands, For: 5 * time.Hour}},
		{"it disagrees", func(p *room.Probe, _ time.Duration) { p.Alarm(alarm.KindDisagrees).Rec.Life.Active = true }, alarm.Fact{ID: alarm.FactDisagrees}},
		{"it is doubted", func(*room.Probe, time.Duration) {}, alarm.Fact{ID: alarm.FactDoubted}},
	} {
		v := roomtest.View(t, 1, "")
		p := &v.Probes[1]
		c.set(p, v.At.Mono)
		if c.want.For > 0 { // dated: it is read later
			c.want.At = alarm.LocalTime(v.At.Wall.Add(-c.want.For).In(v.Loc).Format(alarm.LocalLayout))
		}
		if got := (Look{V: v}).doubtFact(p, v.At); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

// What dries an enclosure out: an open door, before the mists that are missing, before what
// most have in common.
func TestDry_WhoComesFirst(t *testing.T) {
	supply := alarm.Cause{Kind: alarm.CauseSupply, ID: "m"}
	for _, c := range []struct {
		name         string
		open, missed bool
		old          bool // the others were seen long ago
		want         alarm.Cause
	}{
		{"an open door", true, true, false, alarm.Cause{Kind: alarm.CauseDoor, ID: "e1"}},
		{"mists are missing", false, true, false, supply},
		{"all are dry", false, false, false, alarm.Cause{Kind: alarm.CauseRoom}},
		{"all were dry", false, false, true, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
	} {
		v := roomtest.View(t, 3, "")
		for i := range v.Enclosures {
			en := &v.Enclosures[i]
			if en.Now.Hum = en.Limits.Floor; c.old && i > 0 {
				en.St.At.Mono -= room.LongestInterval + 1
			}
		}
		en := &v.Enclosures[0]
		en.St.Missed = 3
		en.Alarms[alarm.KindMistMissing].Rec.Life.Active, en.Alarms[alarm.KindMistMissing].Rec.Cause = c.missed, supply
		if c.open {
			en.St.Door.State, en.St.Door.Opened = climate.DoorOpened, v.At.Mono-time.Minute
		}
		if got, _ := (Look{V: v}).Dry(en, v.At); got != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// A mist fails everywhere by the supply, unless the power is gone, or the room is colder than
// usual: with the pump that is the power, unless lamps are seen to burn. In the dark a pump that
// stands may be without power.
func TestNoMist(t *testing.T) {
	for _, c := range []struct {
		name       string
		room       float64 // °C, 24 are usual; 0 for nothing usual
		power, lit bool
		want       alarm.CauseKind
	}{
		{"as usual", 24, false, false, alarm.CauseSupply}, {"by day", 24, false, true, alarm.CauseSupply},
		{"colder by 1 °C", 23, false, false, alarm.CausePower}, {"and a lamp is seen", 23, false, true, alarm.CauseRoom},
		{"by less", 23.1, false, false, alarm.CauseSupply}, {"warmer", 26, false, false, alarm.CauseSupply},
		{"cold, and nobody knows what is usual", 0, false, false, alarm.CauseSupply}, {"the power is told to be gone", 23, true, true, alarm.CausePower},
	} {
		v := roomtest.View(t, 1, "")
		if v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, c.lit, time.Hour; c.lit {
			v.Enclosures[0].Now.HasLux, v.Enclosures[0].St.Lamps.Light.State = true, climate.LampsOn
		}
		if roomtest.Says(v, 0, c.room, 50); c.room == 0 {
			roomtest.Says(v, 0, 5, 50)
		}
		for n := 0; c.room != 0 && n < 27; n++ {
			v.Air.Usual.Observe(float64(11+n/3%3), 24)
		}
		if c.power {
			s := &v.Enclosures[0].Alarms[alarm.KindLampStuck]
			s.Rec.Life.Active, s.Rec.Cause = true, alarm.Cause{Kind: alarm.CausePower}
			v.Enclosures[0].Open.Turn(alarm.KindLampStuck)
		}
		got := (Look{V: v}).NoMist(&v.Enclosures[0], v.At)
		if doubt := (Look{V: v}).SupplyOrPower(&v.Enclosures[0]); (len(doubt) > 0) == c.lit {
			t.Errorf("%s: %+v", c.name, doubt)
		}
		if got.Kind != c.want || c.want == alarm.CauseSupply && got.ID != v.SupplyOf(v.Enclosures[0].Mist) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// In a room that cools it takes less that the lamps go for it to be the power.
func TestLampsGo_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name  string
		moved []float64
		edge  time.Duration
		want  bool
	}{
		{"all three", []float64{1, 1, 1}, time.Hour, true},
		{"less", []float64{1, 1, 0.9}, time.Hour, false},
		{"two of three", []float64{9, 9, -1}, time.Hour, false},
		{"three of four", []float64{9, 9, 9, -1}, time.Hour, true},
		{"one", []float64{9}, time.Hour, false},
		{"lit for 20 min", []float64{9, 9}, litLong, false},
	} {
		v := roomtest.View(t, len(c.moved), "")
		v.Lamps[0].Known, v.Lamps[0].On, v.Lamps[0].Edge = true, true, c.edge
		for i, m := range c.moved {
			w := &v.Enclosures[i].St.Lamps
			w.Sign = climate.LampSign{Moved: m, Warms: true}
			w.HasRoom, w.Past[0].Value, w.Past[4].Value = true, 1, 1.5
		}
		got := Look{V: v}.lampsGo()
		if (got != nil) != c.want || got != nil && got.Delta != 0.5 {
			t.Errorf("%s: %+v", c.name, got)
		}
		if v.Lamps[0].On = false; (Look{V: v}).lampsGo() != nil {
			t.Errorf("%s: lamps that are off go", c.name)
		}
	}
}

// On the first days a room that is 1.5 °C warmer than three hours before is enough, and one
// that is as much colder cools what is in it.
func TestRoom_ThreeHoursBefore(t *testing.T) {
	for _, c := range []struct {
		by   float64
		want alarm.FactID
	}{{1.5, alarm.FactRoomClimbed}, {1.49, ""}, {-1.5, ""}} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		v.Lamps[0].Known, v.Lamps[0].Edge = true, 4*time.Hour
		before := float64(en.Limits.DayLow)/100 + 1
		for m := range 60 {
			en.St.Thermal.Observe(climate.ThermalReading{At: v.At.Mono - 3*time.Hour + time.Duration(m-30)*time.Minute, Air: before, Room: before, HasRoom: true, Hour: 12})
		}
		r := climate.RoomCase{Temp: before + c.by, HasTemp: true}
		got := Look{V: v}.firstDaysExplain(en, &r, hotter)
		if (got == nil) != (c.want == "") || got != nil && (got.ID != c.want || got.For != 3*time.Hour || float64(got.Delta) != c.by) {
			t.Errorf("by %v °C: %+v", c.by, got)
		}
		roomtest.Says(v, 0, before-c.by, 50)
		if cools := (Look{V: v}).CoolsWithRoom(en); cools != (c.by >= 1.5) {
			t.Errorf("colder by %v °C: it cools %v", c.by, cools)
		}
	}
}

// A probe whose temperature moved without its humidity is what is cold, and is told beside
// heat, where it is the odd one of its band and nobody is in danger.
func TestOddCause_WithoutItsHumidity(t *testing.T) {
	for _, c := range []struct {
		kind  alarm.Kind
		rise  float64
		known bool // what is usual
		want  alarm.CauseKind
		told  bool
	}{
		{alarm.KindAbove, 2, true, alarm.CauseEnclosure, true}, {alarm.KindBelow, -2, true, alarm.CauseProbe, true},
		{alarm.KindAbove, -2, true, alarm.CauseEnclosure, false}, {alarm.KindBelow, 2, true, alarm.CauseEnclosure, false},
		{alarm.KindBelow, -2, false, alarm.CauseEnclosure, false}, {alarm.KindAhead, 2, true, alarm.CauseEnclosure, false}, {alarm.KindExposure, 2, true, alarm.CauseEnclosure, false},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.St.Moist = room.Moist{Apart: v.At.Mono, Rise: c.rise}
		got, why := Look{V: v}.oddCause(en, &climate.Case{HasTemp: true, HasOffset: c.known}, &climate.Finding{Judged: 1}, c.kind)
		told := len(why) > 0 && why[len(why)-1].ID == alarm.FactMoistApart
		if got.Kind != c.want || told != c.told {
			t.Errorf("%v, %v °C: %+v by %+v", c.kind.Row().ID, c.rise, got, why)
		}
	}
}

// An enclosure and its room that both fall fast cool together, an enclosure alone only
// where it falls twice as fast.
func TestCoolsWithRoom(t *testing.T) {
	for _, c := range []struct {
		own, room float64 // °C/h
		want      bool
	}{{-0.8, -0.8, true}, {-0.7, -0.8, false}, {-0.8, -0.7, false}, {-1.6, 0, true}, {-1.4, 0, false}, {0.8, 0.8, false}, {0, -1.6, false}} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		v.Air.Trend = climate.Trend{}
		for m := -40; m <= 0; m++ {
			en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 24+c.own*float64(m)/60)
			v.Air.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 24+c.room*float64(m)/60)
		}
		if got := (Look{V: v}).CoolsWithRoom(en); got != c.want {
			t.Errorf("%v and %v °C/h: %v", c.own, c.room, got)
		}
	}
}
