package heat

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/rules/room/roomtest"
	"dewline/sensors"
)

// A forecast is made only above the limit that is worth a look, and none where
// the lethal limit is reached already.
func TestStep_LooksAheadAboveTheWarning(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius float64
		found   bool
		want    alarm.Input
	}{
		{"cool", 24, true, alarm.Back},
		{"warm, and nobody knows the rate", 29, true, alarm.Missing},
		{"lethal", 40, false, 0},
	} {
		v := roomtest.View(t, 1, "")
		found := &roomtest.Found{}
		roomtest.Says(v, 1, c.celsius, 85)
		v.Due, v.Enclosure = room.Slow, &v.Enclosures[0]
		Judge{}.Step(v, &room.Out{Lives: found})
		if f, ok := found.Last(alarm.KindAhead); ok != c.found || ok && f.In != c.want {
			t.Errorf("%s: %v %+v", c.name, ok, f)
		}
	}
}

// What was ahead is hidden while it is here.
func TestStep_HidesWhatIsHere(t *testing.T) {
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	v.Open = 1
	en.Open.Turn(alarm.KindAhead)
	en.Alarms[alarm.KindAhead].Rec.Life.State = alarm.Unack
	en.Alarms[alarm.KindLethal].Rec.Life.Active = true
	v.Due = room.Ticked
	Judge{}.Step(v, &room.Out{Lives: &roomtest.Found{}})
	if !en.Alarms[alarm.KindAhead].Rec.Life.Suppress {
		t.Error("both are told")
	}
}

// It stays hidden while it falls, also where a mist cools it, and shows on a rise.
func TestHideAhead_UntilItRises(t *testing.T) {
	en := &roomtest.View(t, 1, "").Enclosures[0]
	r := &en.Alarms[alarm.KindAhead].Rec.Life
	for _, c := range []struct {
		seen                alarm.Input
		was, is, want, here bool
	}{
		{alarm.Back, true, true, true, false},
		{alarm.Between, true, true, true, false},
		{alarm.Beyond, true, true, false, false},
		{alarm.Beyond, false, true, true, true},
		{alarm.Back, false, true, false, false},
		{alarm.Back, true, false, false, false}, // it is over: the next is told at once
	} {
		r.Seen, r.Suppress, r.Active = c.seen, c.was, c.is
		en.Alarms[alarm.KindLethal].Rec.Life.Active = c.here
		if en.HideAhead(); r.Suppress != c.want {
			t.Errorf("%+v: hidden %v", c, r.Suppress)
		}
	}
}

// rising gives an enclosure a trend that ends at celsius.
func rising(v *room.View, celsius, perHour float64) *room.Enclosure {
	en := &v.Enclosures[0]
	en.St.Trend = climate.Trend{}
	for m := -40; m <= 0; m++ {
		en.St.Trend.Observe(v.At.Mono+time.Duration(m)*time.Minute, celsius+perHour*float64(m)/60)
	}
	roomtest.Says(v, 1, celsius, 85)
	return en
}

// What is looked for is a rise: on a fall or a level it is over, except for a moment
// after a mist, and nothing is ahead of what is here.
func TestAhead_AtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius float64
		perHour float64
		misted  time.Duration // ago; 0 for no mist
		within  time.Duration
		want    alarm.Input
	}{
		{"a steady rise", 29, 2, 0, 2 * time.Hour, alarm.Beyond},
		{"a level", 29, 0, 0, 2 * time.Hour, alarm.Back},
		{"a fall", 29, -1, 0, 2 * time.Hour, alarm.Back},
		{"a fall just after a mist", 29, -1, mistDips - 1, 2 * time.Hour, alarm.Between},
		{"a fall after that", 29, -1, mistDips, 2 * time.Hour, alarm.Back},
		{"a rise that takes a bit longer", 29, 2, 0, 25 * time.Minute, alarm.Between},
		{"much longer", 29, 2, 0, 15 * time.Minute, alarm.Back},
		{"too slow to mean anything", 29.9, 0.29, 0, 6 * time.Hour, alarm.Between},
	} {
		v := roomtest.View(t, 1, "")
		v.Cfg.Rules.AheadWithin = configs.Duration(c.within)
		en := rising(v, c.celsius, c.perHour)
		if c.misted > 0 {
			en.St.HasPulse, en.St.PulseAt = true, v.At.Mono-c.misted
		}
		for m := -40; m <= 0; m++ {
			en.St.Thermal.Observe(climate.ThermalReading{At: v.At.Mono + time.Duration(m)*time.Minute, Air: c.celsius + c.perHour*float64(m)/60, Lamps: climate.LampsOn, Hour: 12})
		}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		if f, ok := found.Last(alarm.KindAhead); !ok || f.In != c.want {
			t.Errorf("%s: %+v, %+v", c.name, f.In, en.St.Ahead.ToLethal)
		}
	}
	// At the warning itself it is looked for, below not.
	for below, want := range map[int32]alarm.Input{0: alarm.Missing, 1: alarm.Back} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.Now.Hot = en.Limits.Warn - below
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		if f, _ := found.Last(alarm.KindAhead); f.In != want {
			t.Errorf("%d under the warning: %v", below, f.In)
		}
	}
	// The steeper of both rates counts.
	v := roomtest.View(t, 1, "")
	en := rising(v, 28, 12)
	if s, steep, ok := en.Rise(); !ok || !steep || math.Abs(s.PerHour-12) > 0.01 || s.Sigma != s.PerHour/4 && s.Sigma > 1 {
		t.Errorf("%+v, %v, %v", s, steep, ok)
	}
}

// A steep rise wakes below the warning too, once the enclosure is 2 °C warmer than usual
// at this hour beside the room, which is at 24 °C.
func TestAhead_SteepBelowTheWarning(t *testing.T) {
	for _, c := range []struct {
		name    string
		celsius float64
		perHour float64
		usual   float64 // °C over the room
		days    int
		want    alarm.Input
	}{
		{"odd", 27.01, 12, 1, 3, alarm.Beyond},
		{"hardly", 26.98, 12, 1, 3, alarm.Back},
		{"as usual, as when lamps go on", 27.01, 12, 3, 3, alarm.Back},
		{"not steep", 27.01, 5.9, 1, 3, alarm.Back},
		{"nothing is known of what is usual", 27.01, 12, 1, 2, alarm.Back},
	} {
		v := roomtest.View(t, 1, "")
		en := rising(v, c.celsius, c.perHour)
		roomtest.Usual(en, c.usual, c.days)
		for m := -40; m <= 0; m++ {
			en.St.Thermal.Observe(climate.ThermalReading{At: v.At.Mono + time.Duration(m)*time.Minute, Air: c.celsius + c.perHour*float64(m)/60, Room: 24, HasRoom: true, Lamps: climate.LampsOn, Hour: 12})
		}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		if f, ok := found.Last(alarm.KindAhead); !ok || f.In != c.want || f.Urgent != (c.want == alarm.Beyond) {
			t.Errorf("%s: %+v, %+v", c.name, f, en.St.Ahead.ToLethal)
		}
	}
}

// Readings that stray by 0.3 °C hide a steep rise from a look at a few minutes, not from one at
// half an hour.
func TestAhead_SteepBehindNoise(t *testing.T) {
	for perHour, want := range map[float64]alarm.Input{9: alarm.Beyond, 4: alarm.Back} {
		v, rng := roomtest.View(t, 1, ""), rand.New(rand.NewPCG(2, 2))
		en := &v.Enclosures[0]
		for m := -400.0; m <= 0; m += 0.5 {
			at, c := v.At.Mono+time.Duration(m*float64(time.Minute)), 27+perHour*max(m, -60)/60
			en.St.Trend.Observe(at, c+0.3*rng.NormFloat64())
			en.St.Thermal.Observe(climate.ThermalReading{At: at, Air: c, Room: 24, HasRoom: true, Lamps: climate.LampsOn, Hour: 12})
		}
		roomtest.Says(v, 1, 27, 85)
		roomtest.Usual(en, 1, 3)
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		if _, steep := en.St.Trend.Steep(); steep {
			t.Fatal("a few minutes show it: this tests nothing")
		}
		if f, _ := found.Last(alarm.KindAhead); f.In != want {
			t.Errorf("%v °C/h: %+v, %+v", perHour, f, en.St.Ahead.ToLethal)
		}
	}
}

// Without a room probe an enclosure is odd where it is warmer than on other days, and the
// others are not.
func TestIsOdd_NoRoom(t *testing.T) {
	for name, c := range map[string]struct {
		own, others float64 // °C, usually 24
		want        bool
	}{"alone": {26.1, 24, true}, "hardly": {25.9, 24, false}, "as all": {26.5, 26, false}} {
		v := roomtest.View(t, 4, "")
		v.At.Mono += 96 * time.Hour
		v.Probes[0].St.HasTemp = false
		for i := range v.Enclosures {
			for at := time.Duration(0); at <= v.At.Mono; at += 10 * time.Minute {
				v.Enclosures[i].St.Thermal.Observe(climate.ThermalReading{At: at, Air: 24, Hour: -1})
			}
			roomtest.Says(v, 1+i, c.others, 85)
		}
		roomtest.Says(v, 1, c.own, 85)
		if got := (look{v: v}).isOdd(&v.Enclosures[0], v.At); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// Lamps that come within an hour warm an enclosure by more than the mean of that hour says.
// What is warmer than after them is odd.
func TestIsOdd_LampsComeWithinTheHour(t *testing.T) {
	for _, c := range []struct {
		from int // °C more from then on, hours from now
		own  float64
		want bool
	}{{0, 28.9, false}, {0, 29.1, true}, {1, 27.4, false}, {1, 27.6, true}, {2, 26.5, true}, {-3, 28.9, false}, {-9, 26.5, true}} {
		v := roomtest.View(t, 1, "")
		en, hour := &v.Enclosures[0], int(v.Hour(v.At))
		for i := range 24*3 + 1 {
			offset := 0.0
			if h := i%24 - hour; h >= c.from && h < c.from+8 {
				offset = 3
			}
			for range 3 {
				en.St.Offset.Observe(float64(i%24), offset)
			}
		}
		roomtest.Says(v, 0, 24, 50)
		roomtest.Says(v, 1, c.own, 85)
		if got := (look{v: v}).isOdd(en, v.At); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

// A dose of half of the reference is worth a look, all of it wakes, and it is over where
// the enclosure has been half a degree too cool for it to grow.
func TestExposure_AtItsLimits(t *testing.T) {
	limits := climate.DoseLimits{Boundary: 28, ReferenceTemp: 30, ReferenceTime: 100 * time.Minute, TenfoldPer: 3}
	for _, c := range []struct {
		name           string
		share, celsius float64
		active, rings  bool
		warned         float64
		want           alarm.Input
		raised         bool
	}{
		{"half", 0.5, 28, false, false, 0, alarm.Beyond, false},
		{"less", 0.499, 28, false, false, 0, alarm.Between, false},
		{"far less", 0.4, 28, false, false, 0, alarm.Back, false},
		{"half, a little cooler", 0.5, 27.99, true, false, 0, alarm.Between, false},
		{"half, half a degree cooler", 0.5, 27.5, true, false, 0, alarm.Between, false},
		{"half, more", 0.5, 27.49, true, false, 0, alarm.Back, false},
		{"half, somebody is woken anyway", 0.5, 28, false, true, 0, alarm.Between, false},
		{"half, and it was told before", 0.5, 28, true, true, 0, alarm.Beyond, false},
		{"all, though somebody is woken", 1, 28, false, true, 0, alarm.Beyond, false},
		{"all, while it is told", 1, 28, true, false, 0, alarm.Beyond, true},
		{"nearly all", 0.99, 28, true, false, 0, alarm.Beyond, false},
		{"nearly all, and half was told", 0.99, 28, false, false, 0.5, alarm.Between, false},
		{"all, and half was told", 1, 28, false, false, 0.5, alarm.Beyond, false},
		{"all and less than a half, and all was told", 1.49, 28, false, false, 1, alarm.Between, false},
		{"all and a half, and all was told", 1.5, 28, false, false, 1, alarm.Beyond, false},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.DoseLimits = limits
		roomtest.Says(v, 1, c.celsius, 85)
		en.St.Dose = climate.Dose{Started: true, Last: v.At.Mono, LastTemp: c.celsius, Minutes: 100 * c.share}
		en.Alarms[alarm.KindExposure].Rec.Life.Active = c.active
		en.Alarms[alarm.KindAhead].Rec.Life.Active = c.rings
		en.St.DoseTold = room.DoseTold{At: v.At.Mono, Warned: c.warned}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeExposure(en, v.At)
		f, ok := found.Last(alarm.KindExposure)
		if !ok || f.In != c.want || (len(found.Raised) > 0) != c.raised {
			t.Errorf("%s: %v, raised %v", c.name, f.In, found.Raised)
		}
		want := 50.0
		if c.raised {
			want = 100
		}
		if r := en.Alarms[alarm.KindExposure].Rec; math.Abs(r.Value-100*c.share) > 1e-9 || r.Limit != want {
			t.Errorf("%s: %v %% against %v", c.name, r.Value, r.Limit)
		}
	}
}

// A dose is told each hour while it grows, ten minutes after it stopped, once a day while
// it is left, and when nothing is.
func TestDose_IsTold(t *testing.T) {
	const now = 100 * time.Hour
	for _, c := range []struct {
		name           string
		ago            time.Duration // since it was told
		hours          float64       // °C h, of 2 that were told
		unseen         time.Duration // of a minute that was told
		celsius        float64
		share, told    float64
		want           bool
		added, unknown float64
	}{
		{"grew for an hour", time.Hour, 3, time.Minute, 29, 0.3, 0.2, true, 1, 0},
		{"for less", time.Hour - 1, 3, time.Minute, 29, 0.3, 0.2, false, 0, 0},
		{"grew, and is cool", 10 * time.Minute, 3, time.Minute, 27.99, 0.3, 0.2, true, 1, 0},
		{"grew, and is at the boundary", 10 * time.Minute, 3, time.Minute, 28, 0.3, 0.2, false, 0, 0},
		{"cool for less", 10*time.Minute - 1, 3, time.Minute, 27, 0.3, 0.2, false, 0, 0},
		{"did not grow", 2 * time.Hour, 2, time.Minute, 29, 0.3, 0.2, false, 0, 0},
		{"was not seen", time.Hour, 2, 3 * time.Minute, 29, 0.3, 0.2, true, 0, 120},
		{"is left for a day", 24 * time.Hour, 2, time.Minute, 24, 0.1, 0.2, true, 0, 0},
		{"for less than that", 24*time.Hour - 1, 2, time.Minute, 24, 0.1, 0.2, false, 0, 0},
		{"is gone", time.Minute, 2, time.Minute, 24, 0, 0.2, true, 0, 0},
		{"was gone", 25 * time.Hour, 2, time.Minute, 24, 0, 0, false, 0, 0},
		{"began anew", time.Hour, 0.5, 0, 29, 0.3, 0.2, true, 0.5, 0},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.DoseLimits.Boundary = 28
		en.Now.Hot = int32(math.Round(100 * c.celsius))
		en.St.Dose = climate.Dose{DegreeHours: c.hours, Unknown: c.unseen}
		en.St.DoseTold = room.DoseTold{At: now - c.ago, Hours: 2, Unseen: time.Minute, Share: c.told, Peak: 0.25}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).doseFact(en, sensors.Instant{Mono: now}, c.share)
		if told := len(found.Told) > 0; told != c.want {
			t.Errorf("%s: told %v", c.name, told)
		} else if told {
			want := event.Dose{Enclosure: "e1", Share: c.share, Peak: max(0.25, c.share), DegreeHours: c.added, Unseen: c.unknown}
			if found.Told[0] != want || en.St.DoseTold.At != now || en.St.DoseTold.Hours != c.hours {
				t.Errorf("%s: %+v, want %+v", c.name, found.Told[0], want)
			}
		}
	}
	// What there is from before was told, or never was.
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	en.St.Dose = climate.Dose{DegreeHours: 3, Unknown: time.Hour}
	found := &roomtest.Found{}
	(look{v, &room.Out{Lives: found}}).doseFact(en, sensors.Instant{}, 0.4)
	if len(found.Told) > 0 || en.St.DoseTold != (room.DoseTold{At: 1, Hours: 3, Unseen: time.Hour, Share: 0.4, Peak: 0.4}) {
		t.Errorf("%+v, %+v", found.Told, en.St.DoseTold)
	}
}

// A forecast made each minute holds over three of them, or over what the probe's own
// rhythm allows where that is longer.
func TestStep_HowLongAFindingHolds(t *testing.T) {
	for gap, want := range map[time.Duration]time.Duration{time.Minute: 3 * room.SlowEvery, time.Hour: time.Hour} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.Now.Gap = gap
		found := &roomtest.Found{}
		v.Due, v.Enclosure = room.Slow, en
		Judge{}.Step(v, &room.Out{Lives: found})
		for _, k := range []alarm.Kind{alarm.KindAhead, alarm.KindExposure} {
			if f, ok := found.Last(k); !ok || f.Gap != want {
				t.Errorf("a probe's gap of %v: %v holds for %v", gap, k.Row().ID, f.Gap)
			}
		}
	}
}

// Nothing is ahead of what is here; a rise that is told is urgent only where it is steep.
func TestAhead_WhatIsHereAndWhatIsSteep(t *testing.T) {
	for _, c := range []struct {
		name        string
		hot         int32 // beside the lethal limit, hundredths
		open, rings bool
		found       bool
	}{
		{"it rings", -100, false, true, false}, {"at the limit", 0, false, false, false}, {"just below", -1, false, false, true},
		{"at the limit, and it was told", 0, true, false, true}, {"it rings, and it was told", -100, true, true, true},
	} {
		v := roomtest.View(t, 1, "")
		en := rising(v, 29, 2)
		en.Now.Hot = en.Limits.Lethal + c.hot
		en.St.Ahead = room.Ahead{At: 1, ToLethal: climate.Eta{Known: true}}
		en.Alarms[alarm.KindLethal].Rec.Life.Active = c.rings
		if c.open {
			en.Alarms[alarm.KindAhead].Rec.Life.State = alarm.Unack
		}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		if _, ok := found.Last(alarm.KindAhead); ok != c.found || !ok && en.St.Ahead != (room.Ahead{At: v.At.Mono}) {
			t.Errorf("%s: looked for %v, %+v", c.name, ok, en.St.Ahead)
		}
	}
	for perHour, urgent := range map[float64]bool{2: false, 12: true} {
		v := roomtest.View(t, 1, "")
		v.Cfg.Rules.AheadWithin = configs.Duration(2 * time.Hour)
		en := rising(v, 29, perHour)
		for m := -40; m <= 0; m++ {
			en.St.Thermal.Observe(climate.ThermalReading{At: v.At.Mono + time.Duration(m)*time.Minute, Air: 29 + perHour*float64(m)/60, Lamps: climate.LampsOn, Hour: 12})
		}
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeAhead(en, v.At)
		f, _ := found.Last(alarm.KindAhead)
		if f.In != alarm.Beyond || f.Urgent != urgent {
			t.Errorf("%v °C/h: %+v", perHour, f)
		}
		if r := en.Alarms[alarm.KindAhead].Rec; r.Limit != 120 || r.Value <= 0 || r.Value >= 120 {
			t.Errorf("%v °C/h: told %v min of %v", perHour, r.Value, r.Limit)
		}
	}
}

// The dose of an enclosure without a reference is nobody's; without a temperature it does
// not grow and nothing is decided.
func TestExposure_WhatIsNotKnown(t *testing.T) {
	for _, c := range []struct {
		name      string
		reference time.Duration
		hasTemp   bool
		in        alarm.Input
		found     bool
	}{{"no reference", 0, true, 0, false}, {"no temperature", time.Hour, false, alarm.Missing, true}, {"both", time.Hour, true, alarm.Back, true}} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		en.DoseLimits.ReferenceTime, en.Now.HasTemp = c.reference, c.hasTemp
		found := &roomtest.Found{}
		(look{v, &room.Out{Lives: found}}).judgeExposure(en, v.At)
		if f, ok := found.Last(alarm.KindExposure); ok != c.found || f.In != c.in || en.St.Dose.Started != (c.hasTemp && c.found) {
			t.Errorf("%s: %v, %v, %+v", c.name, ok, f.In, en.St.Dose)
		}
	}
}

// A dose has the cause of the heat that is told, the lethal one first.
func TestExposure_Cause(t *testing.T) {
	room1, lamps := alarm.Cause{Kind: alarm.CauseRoom}, alarm.Cause{Kind: alarm.CauseLamps, ID: "day"}
	for _, c := range []struct {
		name          string
		lethal, above alarm.Cause
		active        bool
		want          alarm.Cause
	}{
		{"both", room1, lamps, true, room1}, {"the band", alarm.Cause{}, lamps, true, lamps},
		{"neither is active", room1, lamps, false, alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e1"}},
	} {
		v := roomtest.View(t, 1, "")
		en := &v.Enclosures[0]
		for k, cause := range map[alarm.Kind]alarm.Cause{alarm.KindLethal: c.lethal, alarm.KindAbove: c.above} {
			en.Alarms[k].Rec.Life.Active, en.Alarms[k].Rec.Cause = c.active, cause
		}
		if got, _ := (Judge{}).Cause(v, &en.Alarms[alarm.KindExposure]); got != c.want {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
	// What was not seen is said with a dose, and with nothing else.
	v := roomtest.View(t, 1, "")
	en := &v.Enclosures[0]
	for _, c := range []struct {
		kind    alarm.Kind
		unknown time.Duration
		want    int
	}{{alarm.KindExposure, time.Minute, 1}, {alarm.KindExposure, 0, 0}, {alarm.KindLethal, time.Minute, 0}} {
		var d alarm.Detail
		en.St.Dose.Unknown = c.unknown
		if (Judge{}).Detail(v, &en.Alarms[c.kind], &d); len(d.Unknown) != c.want || c.want > 0 && d.Unknown[0].For != c.unknown {
			t.Errorf("%v %v: %+v", c.kind.Row().ID, c.unknown, d.Unknown)
		}
	}
	// What was ahead is told as here once it is.
	en.St.Ahead.ToLethal = climate.Eta{Known: true, From: time.Hour, To: 2 * time.Hour}
	for below, want := range map[int32]alarm.FactID{1: alarm.FactID(alarm.LethalAhead), 0: alarm.FactReached} {
		en.Now.Hot = en.Limits.Lethal - below
		f := (Judge{}).Fact(v, &en.Alarms[alarm.KindAhead])
		if f.ID != want || f.Ahead == nil || f.Ahead.FromMinutes != 60 || f.Temperature != room.Degrees(en.Now.Hot) || f.Lethal != room.Degrees(en.Limits.Lethal) {
			t.Errorf("%d below: %+v", below, f)
		}
	}
}
