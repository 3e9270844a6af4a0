package limits

import (
	"math"
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
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
		f, ok := found.Last(c.kind)
		if !ok || f.In != c.want {
			t.Errorf("%v at %v °C, %v %%: %+v", c.kind.Row().ID, c.celsius, c.percent, f)
		}
		if r := f.Alarm.Rec; c.kind == alarm.KindFloor && (r.Value != c.percent || r.Limit != floor) {
			t.Errorf("the floor is told as %v %% against %v", r.Value, r.Limit)
		}
	}
}

// A door that was opened excuses a dry floor until its time is over and after that while
// the air comes back, but no alarm that rang and none that went on for as long.
func TestFloor_Excuse(t *testing.T) {
	for _, c := range []struct {
		name   string
		state  alarm.State
		active bool
		since  time.Duration // ago, for how long it has been dry
		left   time.Duration // of the excuse
		in     alarm.Input
		want   bool
	}{
		{"excused", alarm.Norm, false, 0, 1, alarm.Beyond, true},
		{"no longer", alarm.Norm, false, 0, 0, alarm.Beyond, false},
		{"not dry for as long", alarm.Norm, false, -1, time.Hour, alarm.Beyond, true},
		{"dry for as long as an excuse lasts", alarm.Norm, true, -1, time.Hour, alarm.Beyond, false},
		{"for less", alarm.Norm, true, -2, time.Hour, alarm.Beyond, true},
		{"it rang", alarm.Unack, true, 0, time.Hour, alarm.Beyond, false},
		{"hidden, the air comes back", alarm.Suppressed, true, 0, 0, alarm.Between, true},
		{"hidden, the air is back", alarm.Suppressed, true, 0, 0, alarm.Back, true},
		{"hidden, it is dry still", alarm.Suppressed, true, 0, 0, alarm.Beyond, false},
		{"hidden, and over", alarm.Suppressed, false, 0, 0, alarm.Back, false},
	} {
		v := roomtest.View(t, 1, "")
		en, now := &v.Enclosures[0], v.At.Mono
		s := &en.Alarms[alarm.KindFloor]
		excuse := v.Cfg.Rules.DoorExcuse.D()
		s.Rec.Life.State, s.Rec.Life.Active, s.Rec.Life.Since = c.state, c.active, v.At
		switch c.since {
		case -1:
			s.Rec.Life.Since.Mono = now - excuse
		case -2:
			s.Rec.Life.Since.Mono = now - excuse + 1
		}
		en.St.HasExcuse, en.St.Excused = true, now+c.left
		look{New(v), v, nil}.excuse(en, s, c.in, now)
		if s.Rec.Life.Suppress != c.want {
			t.Errorf("%s: hidden %v", c.name, s.Rec.Life.Suppress)
		}
	}
	// A dry floor that is about to ring waits a moment for a door that is about to be
	// judged.
	for _, c := range []struct {
		open, on time.Duration // the door for so long, and dry for so long before the delay
		want     bool
	}{
		{climate.DoorWait + room.QuickEvery - 1, 2 * room.QuickEvery, true}, {climate.DoorWait + room.QuickEvery, 0, false},
		{time.Minute, 2*room.QuickEvery + 1, false}, {time.Minute, 0, true},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		s := &en.Alarms[alarm.KindFloor]
		s.Rec.Life.Suppress, s.Rec.Life.OnFor = true, v.Cfg.Rules.FloorOnDelay.D()-c.on
		en.St.Door.State, en.St.Door.Opened = climate.DoorOpened, en.St.At.Mono-c.open
		if got := (look{New(v), v, nil}).waitForDoor(en, s); got != c.want {
			t.Errorf("%+v: waits %v", c, got)
		}
	}
}

// Another probe stands in for the one that is named for the floor, with what they usually
// differ by once they were seen together for a quarter of an hour.
func TestFloor_StandIn(t *testing.T) {
	for _, c := range []struct {
		minutes, gap float64
		hum, want    int32
	}{{15, -3.5, 8000, 7650}, {14.9, -3.5, 8000, 8000}, {60, 30, 8000, 10000}} {
		v := roomtest.View(t, 1, "")
		j := New(v)
		j.At[0].StandIn = StandIn{Gap: c.gap, Minutes: c.minutes}
		if got := (look{j, v, nil}).standInHum(&v.Enclosures[0], c.hum); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
	v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\nfloor_probe = true\n")
	en, j := &v.Enclosures[0], New(v)
	l := look{j, v, nil}
	for i, named := range []float64{80, 83, 80} { // the other is at 85 %
		roomtest.Says(v, 2, 24, named)
		en.Now.Hum, en.Now.HumProbe = int32(100*named), 2
		if l.learnStandIn(en, v.At.Mono); math.Abs(j.At[0].StandIn.Gap-[]float64{-5, -3.5, -4}[i]) > 1e-9 {
			t.Errorf("after %d looks it differs by %v", i+1, j.At[0].StandIn.Gap)
		}
	}
	if got := j.At[0].StandIn.Minutes; math.Abs(got-1) > 1e-9 {
		t.Errorf("three looks every 20 s are %v min", got)
	}
	j.At[0].StandIn = StandIn{Gap: -4, Minutes: standInFull}
	en.Now.Hum = 8700
	if l.learnStandIn(en, v.At.Mono); math.Abs(j.At[0].StandIn.Gap-(-4+6/180.)) > 1e-9 {
		t.Errorf("after an hour the mean moves by its part: %v", j.At[0].StandIn.Gap)
	}
}

// What was told at this hour within the week, or was hardly less, is told no more; for a
// day after its begin it is the same excursion.
func TestHabits_AtTheirLimits(t *testing.T) {
	const now, day = 1000 * time.Hour, 24 * time.Hour
	for _, c := range []struct {
		name  string
		ago   time.Duration
		value int32
		want  bool
	}{
		{"yesterday", day, 2700, true}, {"two hours later in the day", day + 2*time.Hour, 2700, true}, {"more", day + 2*time.Hour + 1, 2700, false},
		{"two hours earlier in the day", day - 2*time.Hour, 2700, true}, {"more", day - 2*time.Hour - 1, 2700, false},
		{"half a degree worse", day, 2750, false}, {"less worse", day, 2749, true},
		{"a week ago", 7 * day, 2700, false}, {"six days ago", 6 * day, 2700, true}, {"nearly a week", 7*day - 1, 2700, true},
		{"two hours ago", 2 * time.Hour, 2700, false}, {"just more", 2*time.Hour + 1, 2700, false},
	} {
		h := Habits{{At: now - c.ago, Peak: 2700}}
		s := room.MakeAlarm(alarm.KindAbove, 0, "e1")
		if got := h.has(&s, now, c.value); got != c.want {
			t.Errorf("%s: told before %v", c.name, got)
		}
		s.Rec.Life.Active, s.Rec.Life.Since.Mono = true, now
		if got := h.has(&s, now+5*time.Hour, c.value); got != c.want {
			t.Errorf("%s, while it lasts: told before %v", c.name, got)
		}
	}
	var h Habits
	s := room.MakeAlarm(alarm.KindAbove, 0, "e1")
	for i, x := range []struct {
		since time.Duration
		value int32
		p     alarm.Priority
	}{
		{day, 2700, alarm.Note}, {day, 2750, alarm.Today}, {day, 2720, alarm.Today}, {2 * day, 2600, alarm.Note}, {2*day + 9*time.Hour, 2600, alarm.Wake},
	} {
		s.Rec.Life.Active, s.Rec.Life.Since.Mono, s.Rec.Priority = true, x.since, x.p
		away := [...]alarm.State{alarm.Shelved, alarm.Suppressed, alarm.OutOfService}
		for k := range away { // nobody hears of it
			after := h
			s.Rec.Life.State = away[k]
			after.follow(&s, x.since+time.Hour, x.value+100)
			for _, o := range after {
				if o.isSame(x.since, 0) || o.At != 0 && !slices.Contains(h[:], o) {
					t.Errorf("%d: noted while %v: %v, before %v", i, away[k], after, h)
				}
			}
		}
		s.Rec.Life.State = alarm.Unack
		h.follow(&s, x.since+time.Hour, x.value)
		first, evening := Habit{At: day, For: time.Hour, Peak: 2750}, Habit{At: 2*day + 9*time.Hour, For: time.Hour, Peak: 2600}
		night := Habit{At: 2 * day, For: time.Hour, Peak: 2600, Mild: true}
		if want := []Habits{{{At: day, For: time.Hour, Peak: 2700, Mild: true}}, {first}, {first}, {night}, {evening, night}}[i]; h != want {
			t.Errorf("%d: %v, want %v", i, h, want)
		}
	}
}

// What is for the week is told once in it at the same hours, however long it lasts; what is
// worse or at other hours is news.
func TestHabits_WhatIsForTheWeek(t *testing.T) {
	const now, day = 1000 * time.Hour, 24 * time.Hour
	for _, c := range []struct {
		name      string
		ago, long time.Duration
		value     int32
		told      bool
	}{
		{"yesterday", day, 0, 2700, true}, {"an hour ago", time.Hour, time.Minute, 2700, true}, {"worse", day, 0, 2750, false},
		{"while it went on", day + 5*time.Hour, 4 * time.Hour, 2700, true}, {"after it", day + 7*time.Hour, 4 * time.Hour, 2700, false},
		{"a week ago", 7 * day, time.Hour, 2700, false}, {"of a state that knows the future", -day, 0, 2700, false},
	} {
		h := Habits{{}, {At: now - c.ago, For: c.long, Peak: 2700, Mild: true}}
		if got := h.told(now, c.value); got != c.told {
			t.Errorf("%s: told %v", c.name, got)
		}
		s := room.MakeAlarm(alarm.KindAbove, 0, "e1")
		if h.has(&s, now, c.value) {
			t.Errorf("%s: what was for the week was told for today", c.name)
		}
	}
}

// The band's own ends belong to it; what is below the day's top, or no cooler than a
// night, is for the week.
func TestBand_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name string
		kind alarm.Kind
		off  int32 // from the band's end, hundredths
		want alarm.Input
	}{
		{"at the upper end", alarm.KindAbove, 0, alarm.Between},
		{"above it", alarm.KindAbove, 1, alarm.Beyond},
		{"at the lower end", alarm.KindBelow, 0, alarm.Between},
		{"below it", alarm.KindBelow, -1, alarm.Beyond},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		low, high, _ := v.Band(en)
		at := high
		if c.kind == alarm.KindBelow {
			at = low
		}
		found := &roomtest.Found{}
		arrived(v, float64(at+c.off)/100, 85)
		New(v).Step(v, &room.Out{Lives: found})
		if f, _ := found.Last(c.kind); f.In != c.want {
			t.Errorf("%s: %v", c.name, f.In)
		}
	}
	for _, c := range []struct {
		name       string
		night, day int32 // lower ends
		low        int32 // in force
		main       int32
		want       bool
	}{
		{"a cool day at a night's temperature", 2100, 2300, 2300, 2100, true},
		{"cooler", 2100, 2300, 2300, 2099, false},
		{"not below 20 °C, whatever a night may have", 1800, 2300, 2300, 2000, true},
		{"cooler", 1800, 2300, 2300, 1999, false},
		{"a night a little below its band", 2050, 2300, 2050, 2000, true},
		{"more", 2050, 2300, 2050, 1999, false},
		{"a warm night by half a degree", 2200, 2300, 2200, 2150, true},
		{"more", 2200, 2300, 2200, 2149, false},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.Limits.NightLow, en.Limits.DayLow, en.Now.Main = c.night, c.day, c.main
		if got := (look{New(v), v, nil}).coolOnly(en, c.low); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// A fall is none, whatever the night may have.
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	en.Limits.NightLow, en.Limits.DayLow, en.Now.Main = 2100, 2300, 2200
	for m := -40; m <= 0; m++ {
		en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 22-0.31*float64(m)/60)
	}
	if (look{New(v), v, nil}).coolOnly(en, 2300) {
		t.Error("what falls by 0.31 °C/h is for the week")
	}
	// But one that comes each day, in a room that is as usual, is one.
	for over, want := range map[float64]bool{-2: true, -1.1: true, -1: false} {
		v.Air.Usual = climate.HourOffset{}
		for i := range 24*3 + 1 {
			for range 3 {
				v.Air.Usual.Observe(float64(i%24), 24)
			}
		}
		en.St.Offset = climate.HourOffset{}
		roomtest.Usual(en, over, 3)
		if got := (look{New(v), v, nil}).coolOnly(en, 2300); got != want {
			t.Errorf("a fall to 2 °C under the room, where %v are usual: %v", over, got)
		}
	}
	// The room, or the enclosure beside it, is 1 °C warmer than usual at this hour.
	for by, want := range map[float64]bool{1: true, 0.9: false} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		for range 3 {
			for i := range 4 {
				v.Air.Usual.Observe(11+float64(i%3), 24-by)
				v.Air.Usual.Observe(11+float64(i%3), 24-by)
				v.Air.Usual.Observe(11+float64(i%3), 24-by)
			}
		}
		if got, _ := (look{New(v), v, nil}).unusual(en, 1); got != want {
			t.Errorf("a room that is %v °C warmer: unusual %v", by, got)
		}
	}
}

// Above its days' top an enclosure that rises is too warm at once where it, or the room, is
// unusual for this hour; at the top nothing is, and what stands is none.
func TestTooWarm_OnARise(t *testing.T) {
	for _, c := range []struct {
		name    string
		over    int32   // the top, hundredths
		climbs  float64 // °C/h
		unusual float64 // °C of the room
		want    bool
	}{
		{"rises in a room that is warm", 1, 0.5, 1.5, true}, {"at the top", 0, 0.5, 1.5, false},
		{"stands", 1, 0, 1.5, false}, {"rises in a room that is as usual", 1, 0.5, 0, false},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		day := max(en.Limits.DayHigh, en.Limits.NightHigh)
		roomtest.Says(v, 1, float64(day+c.over)/100, 85)
		for m := -60; m <= 0; m++ {
			en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, 26+c.climbs*float64(m)/60)
		}
		for i := range 24*3 + 1 {
			for range 3 {
				v.Air.Usual.Observe(float64(i%24), 24-c.unusual)
			}
		}
		roomtest.Usual(en, float64(day+c.over)/100-24, 3)
		if got := (look{New(v), v, nil}).tooWarm(en, v.BandDead); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// Of a short absence the floor keeps the excuse that a door gave it.
func TestForget_KeepsTheExcuse(t *testing.T) {
	for _, c := range []struct {
		off   time.Duration // less than an excuse
		known bool
		want  bool
	}{{1, true, true}, {0, true, false}, {1, false, false}} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		excuse := v.Cfg.Rules.DoorExcuse.D()
		en.Alarms[alarm.KindFloor].Rec.Life = alarm.Record{Suppress: true, Seen: alarm.Beyond}
		v.Due, v.Absence = room.Blind, room.Absence{Off: excuse - c.off, Known: c.known}
		New(v).Step(v, &room.Out{Lives: &roomtest.Found{}})
		if en.St.HasExcuse != c.want || c.want && (en.St.Excused != v.At.Mono+excuse || en.St.DoorAt != v.At.Mono) {
			t.Errorf("%+v: %+v", c, en.St.HasExcuse)
		}
	}
}

// What is told of a limit says which one was passed, and what excuses it.
func TestLimits_WhatIsTold(t *testing.T) {
	v := roomtest.View(t, 1, "")
	en, j := &v.Enclosures[0], New(v)
	for _, c := range []struct {
		kind  alarm.Kind
		limit float64
		want  alarm.FactID
	}{
		{alarm.KindAbove, float64(en.Limits.Act) / 100, alarm.FactAct}, {alarm.KindAbove, float64(en.Limits.Act)/100 - 0.01, alarm.FactID(alarm.AboveBand)},
		{alarm.KindBelow, float64(en.Limits.Cold) / 100, alarm.FactCold}, {alarm.KindBelow, float64(en.Limits.Cold)/100 + 0.01, alarm.FactID(alarm.BelowBand)},
	} {
		a := &en.Alarms[c.kind]
		a.Rec.Limit = c.limit
		if got := j.Fact(v, a); got.ID != c.want {
			t.Errorf("%v against %v: %s, want %s", c.kind, c.limit, got.ID, c.want)
		}
	}
	en.Limits.Dry = 5000
	for value, want := range map[float64]alarm.FactID{50: alarm.FactFarDry, 50.01: alarm.FactID(alarm.HumidityFloor)} {
		a := &en.Alarms[alarm.KindFloor]
		a.Rec.Value = value
		if got := j.Fact(v, a); got.ID != want {
			t.Errorf("%v %%: %s", value, got.ID)
		}
	}
	for left, want := range map[time.Duration]int{1: 1, 0: 0} {
		var d alarm.Detail
		en.St.HasExcuse, en.St.Excused, en.St.DoorAt = true, v.At.Mono+left, v.At.Mono-time.Minute
		if j.Detail(v, &en.Alarms[alarm.KindFloor], &d); len(d.Excused) != want || want > 0 && d.Excused[0].For != time.Minute {
			t.Errorf("%v left: %+v", left, d.Excused)
		}
	}
	// An excursion that is urgent is told with the limit that makes it so.
	for _, c := range []struct {
		kind    alarm.Kind
		celsius func(l room.Limits) int32
		active  bool
		urgent  bool
	}{
		{alarm.KindAbove, func(l room.Limits) int32 { return l.Act }, true, true}, {alarm.KindAbove, func(l room.Limits) int32 { return l.Act - 1 }, true, false},
		{alarm.KindAbove, func(l room.Limits) int32 { return l.Act }, false, false},
		{alarm.KindBelow, func(l room.Limits) int32 { return l.Cold }, true, true}, {alarm.KindBelow, func(l room.Limits) int32 { return l.Cold + 1 }, true, false},
	} {
		v := roomtest.View(t, 1, "")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		for _, r := range []*alarm.Record{&j.At[0].Act, &j.At[0].Cold} {
			*r = alarm.Record{State: alarm.Unack, Active: c.active, Seen: alarm.Beyond, SeenAt: v.At.Mono}
		}
		if c.kind == alarm.KindAbove {
			j.At[0].Cold = alarm.Record{}
		} else {
			j.At[0].Act = alarm.Record{}
		}
		arrived(v, float64(c.celsius(en.Limits))/100, 85)
		j.Step(v, &room.Out{Lives: found})
		f, _ := found.Last(c.kind)
		limit := en.Limits.Act
		if c.kind == alarm.KindBelow {
			limit = en.Limits.Cold
		}
		if f.Urgent != c.urgent || c.active && f.Alarm.Rec.Limit != float64(limit)/100 {
			t.Errorf("%+v: urgent %v against %v", c, f.Urgent, f.Alarm.Rec.Limit)
		}
	}
}

// An excursion is told with the value and the limit that it is judged by: the place where
// the frogs live against the band, the hottest one against the limit to act on.
func TestBand_WhatItIsToldAgainst(t *testing.T) {
	for _, c := range []struct {
		name         string
		urgent       bool
		hasTemp      bool
		above, below [2]float64 // value and limit; zero for none
	}{
		{"plain", false, true, [2]float64{26.5, 0}, [2]float64{26.5, 0}}, {"urgent", true, true, [2]float64{29.5, 1}, [2]float64{26.5, 1}}, {"nothing is known", false, false, [2]float64{}, [2]float64{}},
	} {
		v := roomtest.View(t, 1, "")
		en, j := &v.Enclosures[0], New(v)
		low, high, _ := v.Band(en)
		en.Now.Main, en.Now.Hot, en.Now.HasTemp, en.Now.Doubt = 2650, 2950, c.hasTemp, false
		for _, r := range []*alarm.Record{&j.At[0].Act, &j.At[0].Cold} {
			*r = alarm.Record{State: alarm.Unack, Active: c.urgent, Seen: alarm.Between, SeenAt: v.At.Mono}
		}
		(look{j, v, &room.Out{Lives: &roomtest.Found{}}}).judgeBand(en)
		for k, want := range map[alarm.Kind][2]float64{alarm.KindAbove: c.above, alarm.KindBelow: c.below} {
			limit := high
			if k == alarm.KindBelow {
				limit = low
			}
			if want[1] == 1 {
				if limit = en.Limits.Act; k == alarm.KindBelow {
					limit = en.Limits.Cold
				}
			}
			r := en.Alarms[k].Rec
			if r.HasValue != c.hasTemp || r.Value != want[0] || c.hasTemp && r.Limit != float64(limit)/100 {
				t.Errorf("%s, %s: %v against %v", c.name, k.Row().ID, r.Value, r.Limit)
			}
		}
	}
}

// What is cool at its hour, or was told at this hour of the days before, is for the week;
// what is neither is for today.
func TestBand_MildOnTheColdSide(t *testing.T) {
	for _, c := range []struct {
		name  string
		main  int32 // below the band's end, hundredths
		told  bool  // a day ago, as far
		night int32 // lower end of the night, below that of the day
		mild  bool
		hold  bool
	}{
		{"as a night may be", 100, false, 200, true, false}, {"colder than a night", 300, false, 200, false, false},
		{"colder, and told yesterday", 300, true, 200, true, true}, {"as a night, and told", 100, true, 200, true, true},
	} {
		v := roomtest.View(t, 1, "")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		v.At.Mono = 100 * time.Hour
		const low = 2400
		en.Limits.DayLow, en.Limits.NightLow = low, low-c.night
		roomtest.Says(v, 1, float64(low-c.main)/100, 85)
		if c.told {
			j.At[0].Cool = Habits{{At: v.At.Mono - 24*time.Hour, Peak: -en.Now.Main}}
		}
		(look{j, v, &room.Out{Lives: found}}).judgeBelow(en, low, v.BandDead)
		if f, ok := found.Last(alarm.KindBelow); !ok || f.In != alarm.Beyond || f.Mild != c.mild || f.Hold != c.hold {
			t.Errorf("%s: %+v", c.name, f)
		}
		// What is told is for the days after it, unless it is colder then.
		r := &en.Alarms[alarm.KindBelow].Rec.Life
		r.State, r.Active, r.Since = alarm.Unack, true, v.At
		(look{j, v, &room.Out{Lives: found}}).judgeBelow(en, low, v.BandDead)
		tomorrow, cold := v.At.Mono+24*time.Hour, -en.Now.Main
		if own := &j.At[0].Cool; !own.told(tomorrow, cold) || own.told(tomorrow, cold+habitMore) {
			t.Errorf("%s: it is not what was told: %+v", c.name, own)
		}
	}
	// Within the band nothing is mild but what rings still.
	for active, want := range map[bool]bool{true: true, false: false} {
		v := roomtest.View(t, 1, "")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		low, _, _ := v.Band(en)
		roomtest.Says(v, 1, float64(low)/100+1.5, 85)
		en.Alarms[alarm.KindBelow].Rec.Life.Active = active
		(look{j, v, &room.Out{Lives: found}}).judgeBelow(en, low, v.BandDead)
		if f, _ := found.Last(alarm.KindBelow); f.In != alarm.Back || f.Mild != want {
			t.Errorf("rings %v: %+v", active, f)
		}
	}
}

// What the named place differs by is learned while it and another one tell.
func TestStandIn_WhenItLearns(t *testing.T) {
	for _, c := range []struct {
		name  string
		set   func(v *room.View, en *room.Enclosure)
		learn bool
	}{
		{"both tell", func(*room.View, *room.Enclosure) {}, true},
		{"none is named", func(_ *room.View, en *room.Enclosure) { en.NamedFloor = false }, false},
		{"there is one", func(_ *room.View, en *room.Enclosure) { en.Probes = en.Probes[1:] }, false},
		{"nothing is known", func(_ *room.View, en *room.Enclosure) { en.Now.HasHum = false }, false},
		{"the other stands in", func(_ *room.View, en *room.Enclosure) { en.Now.HumProbe = 1 }, false},
		{"the other does not tell", func(v *room.View, _ *room.Enclosure) { v.Probes[1].St.HasHum = false }, false},
	} {
		v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\nfloor_probe = true\n")
		en, j := &v.Enclosures[0], New(v)
		en.Now.HumProbe, en.Now.HasHum = 2, true
		c.set(v, en)
		if (look{j, v, nil}).learnStandIn(en, v.At.Mono); (j.At[0].StandIn.Minutes > 0) != c.learn {
			t.Errorf("%s: %+v", c.name, j.At[0].StandIn)
		}
	}
	// Another place's word is held against the floor for three times as long.
	for stands, want := range map[bool]time.Duration{true: standInDelay, false: 0} {
		v := roomtest.View(t, 1, "[[probe]]\nid = \"q1\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = \"e1\"\nfloor_probe = true\n")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		en.Now.HasHum, en.Now.HumProbe = true, 2
		if stands {
			en.Now.HumProbe = 1
		}
		(look{j, v, &room.Out{Lives: found}}).judgeFloor(en)
		if f, ok := found.Last(alarm.KindFloor); !ok || f.Slow != want {
			t.Errorf("another stands in %v: %+v", stands, f)
		}
	}
	// A floor that is set to hold less the probe's uncertainty does.
	v := roomtest.View(t, 1, "")
	en, l := &v.Enclosures[0], look{New(v), v, nil}
	en.Now.Hum, v.Probes[1].St.HumLess = 7200, 300
	for less, want := range map[bool]int32{true: 6900, false: 7200} {
		if v.Cfg.Rules.FloorLessUncert = less; l.floorHum(en) != want {
			t.Errorf("less the uncertainty %v: %d", less, l.floorHum(en))
		}
	}
}

// Lethal heat is a trusted reading at the limit, or two doubted ones of one probe that is
// not alone; what was ahead is hidden while it is here.
func TestLethal_DoubtedReadings(t *testing.T) {
	for _, c := range []struct {
		name            string
		doubtful, alone bool
		run             uint8
		want            alarm.Input
	}{
		{"one doubted", true, false, 1, alarm.Back}, {"two doubted", true, false, 2, alarm.Beyond}, {"two, alone", true, true, 2, alarm.Back}, {"two trusted before", false, false, 2, alarm.Back},
	} {
		v := roomtest.View(t, 1, "")
		en, j, found := &v.Enclosures[0], New(v), &roomtest.Found{}
		en.Now.Doubt = false
		st := &v.Probes[1].St
		st.Doubtful, st.Alone, st.HotRun, st.Doubt = c.doubtful, c.alone, c.run, 3500
		(look{j, v, &room.Out{Lives: found}}).judgeLethal(en)
		f, ok := found.Last(alarm.KindLethal)
		value := 24.0
		if c.want == alarm.Beyond {
			value = 35
		}
		if r := en.Alarms[alarm.KindLethal].Rec; !ok || f.In != c.want || r.Value != value || r.Limit != float64(en.Limits.Lethal)/100 {
			t.Errorf("%s: %+v, %v against %v", c.name, f.In, r.Value, r.Limit)
		}
	}
	for _, active := range []bool{true, false} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.Alarms[alarm.KindLethal].Rec.Life.Active = active
		(look{New(v), v, &room.Out{Lives: &roomtest.Found{}}}).judgeLethal(en)
		if en.Alarms[alarm.KindAhead].Rec.Life.Suppress != active {
			t.Errorf("it rings %v, and what was ahead is hidden %v", active, !active)
		}
	}
}
