package climate

import (
	"math"
	"testing"
	"time"
)

// watched follows an enclosure for a week of readings a minute: 85 % at rest, mists at
// 08:00 and 20:00 that dry with a half-life of half an hour, lamps from 08:00 to 20:00.
// From the last noon on, odd says what is different.
func watched(odd func(hour, rh float64) float64) (most float64, at time.Duration) {
	var d MistDetector
	var w MistWatch
	const noon = 6*24*60 + 12*60
	for m := range 8 * 24 * 60 {
		now := time.Duration(m+1) * time.Minute
		hour := math.Mod(float64(m)/60, 24)
		since := min(math.Mod(hour-8+24, 24), math.Mod(hour-20+24, 24))
		rh := 85 + 12*math.Exp2(-since/0.5) + 0.2*float64(m%3)
		when := MistDark
		switch {
		case hour >= 17 && hour < 20:
			when = MistDusk
		case hour >= 8 && hour < 17:
			when = MistLit
		}
		if m >= noon {
			rh = odd(float64(m-noon)/60+12, rh)
		}
		if hour == 8 || hour == 20 {
			w.Expect(now, when)
		}
		d.Observe(now, 24, rh)
		w.Verdict(now, &d)
		w.Dry(now, 24, rh, 22, hour, &d, when)
		if m >= noon && w.Sticks > most {
			most = w.Sticks
			if most >= MistEndlessTold {
				return most, now - noon*time.Minute + 12*time.Hour
			}
		}
	}
	return most, 0
}

// What dries as every day is no mist without an end, and neither is air that is only
// back where it was before a door was opened, however long it stays there.
func TestMistWatch_DoorThatWasShut(t *testing.T) {
	if most, at := watched(func(_, rh float64) float64 { return rh }); at != 0 {
		t.Errorf("as every day: evidence of %.1f at %v", most, at)
	}
	most, at := watched(func(hour, rh float64) float64 {
		switch since := hour - 18; {
		case since < 0:
			return rh
		case since < 5./60:
			return 60
		default: // it takes a while
			return rh - 25*math.Exp(-(since-5./60)/0.2)
		}
	})
	if at != 0 {
		t.Errorf("a door that was open for five minutes: evidence of %.1f at %v", most, at)
	}
}

// A mist that falls while a rise at no time of its own is followed, as after a visit or
// when the lamps went off, begins a course of its own, whether it shows as a pulse or not;
// what was seen to stick goes on.
func TestMistWatch_MistAfterAnotherRise(t *testing.T) {
	const begun, due = 20 * time.Hour, 22 * time.Hour
	for name, c := range map[string]struct {
		w    MistWatch
		anew bool
	}{
		"another rise":        {MistWatch{Follows: true, Sticks: mistKept - 0.1}, true},
		"it sticks":           {MistWatch{Follows: true, Sticks: mistKept}, false},
		"it was told":         {MistWatch{Follows: true, Endless: true}, false},
		"the mist before":     {MistWatch{Follows: true, Planned: true}, false},
		"nothing is followed": {MistWatch{}, false},
	} {
		c.w.Begun, c.w.Since, c.w.Last, c.w.Next = begun, begun, due, 9
		c.w.Expect(due, MistDark)
		if got := c.w.Since == due && c.w.Next == 0; got != c.anew || c.w.Begun != begun {
			t.Errorf("%s: followed from %v, since %v", name, c.w.Begun, c.w.Since)
		}
	}
}

// A mister that sticks where none is due is told within four hours, by day and by
// night (common practice, no source: a tub that is misted for so long is under water).
func TestMistWatch_StickingOffSchedule(t *testing.T) {
	for _, from := range []float64{14, 23, 26} {
		_, at := watched(func(hour, rh float64) float64 {
			if hour < from {
				return rh
			}
			return max(rh, 98-8*math.Exp(-(hour-from)/0.1))
		})
		late := at - time.Duration(from*float64(time.Hour))
		if at == 0 || late > 4*time.Hour {
			t.Errorf("from %v o'clock: told after %v", from, late)
		}
	}
}

// An hour's level is known after three days, of which the first may be one of a tank that
// settles, and forgets in about eight.
func TestHourLevel(t *testing.T) {
	var apart hourLevel
	for day := range 8 { // 80 and 84 by turns: 2 around 82
		for hour := range 24 {
			apart.observe(float64(hour), 80+4*float64(day%2))
		}
	}
	if got := apart.strays(5); math.Abs(got-2) > 1e-3 {
		t.Errorf("days of 80 and 84 %% differ by %v", got)
	}

	var l hourLevel
	day := func(v float64) {
		for h := range 24 {
			l.observe(float64(h), v)
			l.observe(float64(h)+0.5, v+1)
		}
	}
	day(80)
	day(80)
	if _, known := l.at(12.3); known {
		t.Error("known after two days")
	}
	day(80)
	if v, known := l.at(12.3); !known || math.Abs(v-80.5) > 0.01 {
		t.Errorf("after three days: %v, %v", v, known)
	}
	for range 30 {
		day(90)
	}
	if v, _ := l.at(12.3); math.Abs(v-90.5) > 0.2 {
		t.Errorf("a month later: %v", v)
	}
	l.observe(-1, 0)
	l.observe(math.NaN(), 0)
	if _, known := l.at(-1); known {
		t.Error("known without a clock")
	}
}

// A pulse answers a mist from three minutes before it was due to eight after. That none
// came is said ten minutes after it was due, of a probe that was heard until then.
func TestMistWatch_AtItsLimits(t *testing.T) {
	const due = 10 * time.Hour
	for _, c := range []struct {
		name  string
		start time.Duration
		want  bool
	}{
		{"early", due - 3*time.Minute, true}, {"too early", due - 3*time.Minute - 1, false},
		{"late", due + 8*time.Minute, true}, {"too late", due + 8*time.Minute + 1, false},
	} {
		w, d := MistWatch{Due: due}, MistDetector{Done: Pulse{Start: c.start, Peak: 95}}
		if _, got := w.Pulse(&d); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	flat := func(last time.Duration) *MistDetector {
		d := &MistDetector{LastAt: last}
		for at := due - 9*time.Minute; at < due+7*time.Minute; at += time.Minute {
			d.Ring[d.Head] = mistMinute{At: at, RH: 70, Grams: 15}
			d.Head, d.Filled = (d.Head+1)%mistBins, d.Filled+1
		}
		return d
	}
	pulse := flat(due + 8*time.Minute)
	pulse.Phase, pulse.Now = mistRising, Pulse{Start: due, Before: 70, Peak: 90}
	done := flat(due + 8*time.Minute)
	done.Done = pulse.Now
	for _, c := range []struct {
		name string
		now  time.Duration
		d    *MistDetector
		want MistVerdict
	}{
		{"nothing, not late", due + mistWait - 1, flat(due + 8*time.Minute), MistPending},
		{"nothing fell", due + mistWait, flat(due + 8*time.Minute), MistMissed},
		{"the next reading may be on its way", due + mistPatience - 1, flat(due + 8*time.Minute - 1), MistPending},
		{"the probe fell silent", due + mistPatience, flat(due + 8*time.Minute - 1), MistUnclear},
		{"it rises, and late", due + mistWait, pulse, MistSeen},
		{"it fell, too early to say how much stays", due + mistWait - 1, done, MistPending},
		{"it fell", due + mistWait, done, MistSeen},
		{"before it is due", due - 1, done, MistPending},
	} {
		w := MistWatch{Waiting: true, Due: due}
		w.Usual[MistDark].Gain = mistGain{N: mistKnown, Share: 0.5, Top: 90}
		if got, at := w.Verdict(c.now, c.d); got != c.want || (got != MistPending) != (at == due) || w.Waiting != (got == MistPending) {
			t.Errorf("%s: %v about %v, waiting %v", c.name, got, at, w.Waiting)
		}
	}
	// A second mist within ten minutes is the same one.
	w := MistWatch{}
	w.Expect(due, MistLit)
	if w.Expect(due+mistWait-1, MistLit); w.Due != due {
		t.Errorf("due at %v", w.Due)
	}
	if w.Expect(due+mistWait, MistDark); w.Due != due+mistWait || w.DueTime != MistDark {
		t.Errorf("due at %v", w.Due)
	}
}

// Weak is what is likelier at seven tenths of the usual share and less than at that;
// pulses add up.
func TestMistWatch_StrengthIsALikelihoodRatio(t *testing.T) {
	density := func(x, v float64) float64 { return math.Exp(-x*x/(2*v)) / math.Sqrt(2*math.Pi*v) }
	usual := mistUsual{N: 3, Filled: 0.8, Var: 0.01, Peak: 94}
	weigh := func(before, peak, noise, mean float64) float64 {
		room := 100 - before
		share := (peak - before) / room
		v := (2*mistEven*mistEven+3*0.01)/5 + noise*noise/(room*room)
		over := max(0, share-mistLess*mean)
		return math.Log(density(over, v) / (density(share-mean, v) + density(share-mean, v+mistSpread*mistSpread)/30))
	}
	for _, c := range []struct {
		name                string
		before, peak, noise float64
		mean, by            float64
		want                MistVerdict
	}{
		{"as usual", 70, 94, 1, 0.8, 1, MistSeen},
		{"half of it", 70, 82, 1, 0.8, 1, MistWeak},
		{"a bit less", 70, 92, 1, 0.8, 1, MistSeen},
		{"no pulse is expected above its usual peak", 84, 88, 1, 10 / 16., 1, MistWeak},
		{"noise at least of half a percent", 70, 82, 0, 0.8, 0.5, MistWeak},
	} {
		w := MistWatch{DueTime: MistLit, Weak: 0.25}
		w.Usual[MistLit] = usual
		got := w.strength(Pulse{Before: c.before, Peak: c.peak}, c.noise)
		is := weigh(c.before, c.peak, c.by, c.mean)
		if got != c.want || (is > 0) != (c.want == MistWeak) {
			t.Errorf("%s: %v, evidence %v", c.name, got, is)
		}
		near(t, c.name+": evidence of all", w.Weak, max(0, 0.25+is), 1e-5)
		if learned := w.Usual[MistLit].N > 3; learned != (got == MistSeen) {
			t.Errorf("%s: learned %v", c.name, learned)
		}
	}
	// Where little room is left to saturation or the usual peak, none is judged.
	for _, c := range []struct {
		before, noise float64
		judged        bool
	}{{90, 1, true}, {90.1, 1, false}, {70, 6, true}, {70, 6.1, false}, {96.1, 0, false}} {
		w := MistWatch{Usual: [mistTimes]mistUsual{{N: 9, Filled: 1, Var: 0.001, Peak: 94}}}
		w.strength(Pulse{Before: c.before, Peak: c.before}, c.noise)
		if (w.Weak > 0) != c.judged {
			t.Errorf("from %v %% with noise of %v: evidence %v", c.before, c.noise, w.Weak)
		}
	}
	// What was seen once is not usual.
	w := MistWatch{Usual: [mistTimes]mistUsual{{N: 1, Filled: 0.8, Var: 0.001, Peak: 94}}}
	if got := w.strength(Pulse{Before: 70, Peak: 72}, 1); got != MistSeen {
		t.Errorf("after one pulse: %v", got)
	}
}

// The course after a mist: ten minutes each, falls counted from its top; a mist that is
// followed to the end becomes usual.
func TestMistWatch_FollowsACourse(t *testing.T) {
	const from = 10 * time.Hour
	var d MistDetector
	w := MistWatch{Due: from + mistEarly, Follows: true, Begun: from, Last: from, Level: hourLevel{Hour: -1}}
	w.from(from, MistLit)
	for m := range 181 {
		at := from + time.Duration(m)*time.Minute
		w.Dry(at, 24+float64(m/10)/10, 95.45-float64(m)/10, 20, -1, &d, MistLit) // means of 95, 94 … %
		if m == 50 {
			if w.Next != 5 || math.Abs(w.Top-95) > 1e-9 || math.Abs(w.Warm-4) > 1e-9 || math.Abs(float64(w.Fell[4])-4) > 1e-6 || math.Abs(float64(w.Warmed[4])-0.4) > 1e-6 || !w.Planned || !w.Dried {
				t.Fatalf("after 50 min: %+v", w)
			}
		}
		if m == 29 && w.Dried || m == 40 && !w.Dried {
			t.Errorf("after %d min, %v %% below the top: dried %v", m, float64(m/10-1), w.Dried)
		}
	}
	u := w.Usual[MistLit]
	if w.Follows || math.Abs(float64(u.Top)-95) > 1e-4 || u.Dry.Days[17] != 1 || math.Abs(float64(u.Dry.Mean[17])-17) > 1e-4 || math.Abs(float64(u.Dry.Beside[17])-1.7) > 1e-5 {
		t.Errorf("learned: %v, %+v", w.Follows, u)
	}
	if w.Adopt(from); w.Wet() != 0 || !w.Endless {
		t.Errorf("adopted: wet for %v", w.Wet())
	}
	w.Dry(from+time.Hour, 24, 99, 20, -1, &d, MistLit)
	if w.Wet() != time.Hour {
		t.Errorf("wet for %v", w.Wet())
	}
	if w.Over(); w.Wet() != 0 || w.Endless {
		t.Error("over, and wet")
	}
	// A course counts as planned from a pulse three minutes before to eight after it was due.
	for _, c := range []struct {
		since, begun time.Duration
		want         bool
	}{
		{from - 3*time.Minute, from - 3*time.Minute, true}, {from - 3*time.Minute - 1, from - 3*time.Minute - 1, false},
		{from + 8*time.Minute, from + 8*time.Minute, true}, {from + 8*time.Minute + 1, from + 8*time.Minute + 1, false},
		{from, from - time.Hour, false},
	} {
		w := MistWatch{Due: from, Since: c.since, Begun: c.begun}
		w.Open.add(95, 4)
		if w.closeDry(-1, 24); w.Planned != c.want {
			t.Errorf("%v after it was due: planned %v", c.since-from, w.Planned)
		}
	}
	// It dries from 2.5 % below its top on.
	for rh, want := range map[float64]bool{92.5: true, 92.6: false} {
		w := MistWatch{Top: 95, Next: 3}
		w.Open.add(rh, 4)
		if w.closeDry(-1, 24); w.Dried != want {
			t.Errorf("%v %% after 95: dried %v", rh, w.Dried)
		}
	}
	// Nor does it stick in its first fifty minutes, nor where one of three looks speaks less.
	for next, want := range map[int]bool{4: false, 5: true} {
		w := MistWatch{Top: 99, Warm: 4, Next: next, Planned: true}
		w.Usual[MistDark].Top = 99
		for range 3 {
			w.Usual[MistDark].Dry.learn(next, 8, 0)
			w.Usual[MistDark].Dry.learn(next-1, 8, 0)
			w.Usual[MistDark].Dry.learn(next-2, 8, 0)
		}
		w.Fell[next-1], w.Fell[next-2] = 0, 0
		w.Open.add(99, 4)
		if w.closeDry(-1, 24); w.Sticks > 2 != want || !want && w.Sticks != 0 {
			t.Errorf("after %d min: evidence %v", 10*(next+1), w.Sticks)
		}
	}
}

// Air that stands above what its hour has for 17 times ten minutes is a mist without an
// end, whatever is usual after one: as wet as water that goes on falling makes it.
func TestMistWatch_Flat(t *testing.T) {
	w := MistWatch{}
	w.Usual[MistLit].Top, w.Usual[MistDark].Top = 98, 90
	for _, c := range []struct {
		rh, level, strays float64
		known             bool
		from              uint8
		want              uint8
	}{
		{97.5, 95, 1, true, 3, 4}, {97.4, 95, 0, true, 3, 0}, {97.6, 95, 0, true, 3, 4}, {97.6, 95.2, 0, true, 3, 0},
		{97.6, 90, 0, false, 3, 3}, {97.6, 90, 0, true, 17, 17},
		{90.1, 60, 0, true, 3, 4}, {89.9, 60, 0, true, 3, 0}, // most of the way from where its hour stands
		{98.1, 90, 4, true, 3, 4}, {97.9, 90, 4, true, 3, 0}, // more than days differ
	} {
		w.Flat = c.from
		if w.flat(c.rh, c.level, c.strays, c.known); w.Flat != c.want {
			t.Errorf("%+v: %d", c, w.Flat)
		}
	}
	w = MistWatch{}
	for _, c := range []struct{ top, rh, want float64 }{ // the same water for longer leaves more than its usual share
		{0, 96, 1}, {0, 94, 0}, {85, 88, 0}, {85, 90, 1},
	} {
		w.Usual[MistLit].Top, w.Flat = float32(c.top), 0
		if w.flat(c.rh, 80, 0, true); float64(w.Flat) != c.want {
			t.Errorf("%+v: %d", c, w.Flat)
		}
	}
	w = MistWatch{Next: 4, Flat: mistFlat - 1, Top: 98, Level: hourLevel{Days: [24]uint8{9: 5}, Mean: [24]float32{9: 80}}}
	w.Open.add(98, 4)
	if w.closeDry(9, 24); w.Sticks != MistEndlessTold {
		t.Errorf("evidence %v", w.Sticks)
	}
}

// Water that goes on falling cools: air that is a degree warmer than its hour usually is
// got damp by something else, as by a heat mat under wet ground or a hot and damp room, and
// what holds less water than usual as the room cooled.
func TestMistWatch_WarmOrCooledAirIsNotMisted(t *testing.T) {
	// Air of 80 % at 24 °C that cools to 19.6 °C is at 98 % with 94 % of its vapour (Alduchov
	// and Eskridge 1996): no water made it damp.
	for celsius, want := range map[float64]bool{24.9: true, 25: false, 20.1: true, 19.6: false} {
		for name, w := range map[string]MistWatch{"flat": {Next: 4, Flat: mistFlat - 1, Top: 98}, "unplanned": {Next: 6, Top: 98}} {
			w.Level = hourLevel{Days: [24]uint8{9: 5}, Mean: [24]float32{9: 80}}
			w.Heat = hourLevel{Days: [24]uint8{9: 5}, Mean: [24]float32{9: 24}}
			w.Usual[MistDark].Top, w.Fell[4], w.Fell[5] = 95, -1, -1
			for range 3 {
				w.Usual[MistDark].Dry.learn(6, 8, 0)
			}
			w.Open.add(98, 0)
			if w.closeDry(9, celsius); w.Sticks > 0 != want {
				t.Errorf("%s at %v °C: evidence %v", name, celsius, w.Sticks)
			}
		}
	}
}

// What a mist without an end left behind does not speak against the next: it rose, and so
// the air was not as wet as it gets.
func TestMistWatch_AfterAnEndlessMist(t *testing.T) {
	w := MistWatch{Follows: true, Endless: true, Flat: mistFlat}
	if w.Over(); w.Flat != 0 {
		t.Errorf("over: %d", w.Flat)
	}
	w.Flat = mistFlat
	d := MistDetector{Phase: mistRising, Now: Pulse{Start: 10 * time.Hour}}
	for m := range 16 {
		w.Dry(10*time.Hour+time.Duration(m)*time.Minute, 24, 98, 22, 9, &d, MistLit)
	}
	if !w.Follows || w.Flat > 1 || w.Sticks != 0 {
		t.Errorf("the next: %d, evidence %v", w.Flat, w.Sticks)
	}
}

// A mister that sticks at its own time is told within four hours also where little is
// known of how its mists dry, and where one look showed less.
func TestMistWatch_PlannedCourseGoesOn(t *testing.T) {
	const from = 10 * time.Hour
	w := MistWatch{Due: from, Follows: true, Begun: from, Last: from, Level: hourLevel{Hour: -1}}
	for h := range 24 {
		w.Level.Mean[h], w.Level.Days[h] = 80, 5
	}
	w.from(from, MistLit)
	var d MistDetector
	for m := range 240 {
		rh := 98.0
		if m >= 40 && m < 50 {
			rh = 82
		}
		w.Dry(from+time.Duration(m)*time.Minute, 24, rh, 22, 10+float64(m)/60, &d, MistLit)
		if w.Sticks >= MistEndlessTold {
			return
		}
	}
	t.Errorf("not told in four hours: %d, evidence %v, followed %v", w.Flat, w.Sticks, w.Follows)
}

// Air that stays as wet as after its usual mist, and no wetter, on a damp evening is no
// mist without an end: that goes on filling what is missing.
func TestMistWatch_DampEvening(t *testing.T) {
	for _, c := range []struct {
		now  float64
		want bool
	}{{87.5, false}, {92, true}} {
		w := MistWatch{Next: 8, Planned: true, Top: c.now}
		w.Fell[6], w.Fell[7] = -1, -1 // not seen
		w.Usual[MistDark].Top = 88
		for range 8 {
			w.Usual[MistDark].Dry.learn(8, 5, 0)
		}
		w.Open.add(c.now, 0)
		if w.closeDry(-1, 24); w.Sticks > 1 != c.want {
			t.Errorf("%v %%: evidence %v", c.now, w.Sticks)
		}
	}
}

// A mist that falls where none is planned counts only where it stands 4 % above what its
// hour usually has.
func TestMistWatch_UnplannedAboveItsHour(t *testing.T) {
	for rh, want := range map[float64]bool{94: true, 93.9: false} {
		w := MistWatch{Next: 6, Top: rh, Level: hourLevel{Days: [24]uint8{9: 5}, Mean: [24]float32{9: 90}}}
		u := &w.Usual[MistDark]
		u.Top = 95.5
		for range 3 {
			u.Dry.learn(6, 8, 0)
		}
		w.Fell[4], w.Fell[5] = -1, -1
		w.Open.add(rh, 0)
		if w.closeDry(9, 24); (w.Sticks > 0) != want {
			t.Errorf("%v %%: evidence %v", rh, w.Sticks)
		}
	}
	// A top that is 1.5 % lower than usual is no mist's.
	for top, want := range map[float64]bool{94: true, 93.9: false} {
		w := MistWatch{Top: top}
		u := &w.Usual[MistDark]
		u.Top = 95.5
		for range 3 {
			u.Dry.learn(6, 8, 0)
		}
		if got, _ := w.sticks(6); (got > 0) != want {
			t.Errorf("top of %v %%: evidence %v", top, got)
		}
	}
}

// A mister that sticks in the evening, whose air does not dry on any evening, is seen by
// what it cools from before the mist on (common practice, no source: water that goes on
// falling brings a tank under its usual course).
func TestMistWatch_CoolFromBeforeTheMist(t *testing.T) {
	var d MistDetector
	var w MistWatch
	for m := range 6 * 24 * 60 {
		now := time.Duration(m+1) * time.Minute
		hour := math.Mod(float64(m)/60, 24)
		rh, celsius := 82.0, 25.0
		if since := math.Mod(hour-19+24, 24); since < 12 {
			rh, celsius = 96+0.1*float64(m%3), 25-0.4
		}
		stuck := m >= 5*24*60+19*60
		if stuck {
			celsius-- // from the first minute
		}
		if hour == 19 {
			w.Expect(now, MistDusk)
		}
		d.Observe(now, celsius, rh)
		w.Verdict(now, &d)
		w.Dry(now, celsius, rh, 21, hour, &d, MistDusk)
		if since := m - (5*24*60 + 19*60); since > 70 && since < 170 && w.Cool < MistCools {
			t.Fatalf("%d min after it stuck: evidence of %.1f that it is cool", since, w.Cool)
		}
	}
}

// Ten minutes speak for a mist that does not end where the air is as wet as that makes it
// and does not dry, and more where it is cool after a mist that was due; air that dries
// speaks against it, however cool it is.
func TestMistWatch_WhatTenMinutesSay(t *testing.T) {
	for _, c := range []struct {
		name              string
		top, fell, warmed float64
		planned           bool
		dry, cool         float64 // of what each says
	}{
		{"wet and cool", 99, 0, -1, true, 1, 1},
		{"wet and as warm as usual", 99, 0, 1, true, 1, 1},
		{"wet and cool, but no mist was due", 99, 0, -1, false, 1, 0},
		{"just as wet as that makes it", 90.8, 0, -1, true, 1, 1}, // 88 % and 0.35 of the rest, less 1.5 %
		{"less wet", 90.6, 0, -1, true, 0, 0},
		{"just as wet, as it fell", 99, 8.2, -1, true, 1, 0},
		{"less wet, as it fell", 99, 8.4, -1, true, 0, 0},
	} {
		w := MistWatch{Top: c.top, Planned: c.planned}
		u := &w.Usual[MistDark]
		u.Top = 88
		for range 8 {
			u.Dry.learn(6, 12, 1)
		}
		w.Fell[6], w.Warmed[6] = float32(c.fell), float32(c.warmed)
		cools := u.Dry.cools(6, c.warmed)
		want := c.dry*u.Dry.missing(6, float64(w.Fell[6]), c.warmed, dryScale) + c.cool*min(cools, MistCools)
		if !c.planned {
			cools = 0
		}
		sum, cool := w.sticks(6)
		near(t, c.name, sum, want, 1e-6)
		near(t, c.name+": cool", cool, cools, 1e-6)
	}
}

// The top that a mist leaves is a mean of the last eight days.
func TestMistWatch_TopOfEightDays(t *testing.T) {
	for days, want := range map[float32]float64{0: 88, 1: 84, 7: 81, 8: 81} {
		w := MistWatch{Follows: true, Planned: true, Dried: true, Top: 88}
		w.Usual[MistDark].Top, w.Usual[MistDark].Dry.Days[0] = 80, days
		if w.finish(); float64(w.Usual[MistDark].Top) != want {
			t.Errorf("after %v days: %v %%, want %v", days, w.Usual[MistDark].Top, want)
		}
	}
}
