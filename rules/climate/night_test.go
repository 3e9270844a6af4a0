package climate

import (
	"math"
	"testing"
	"time"
)

// runNights feeds days of a curve over (day, hour since lamps on); lamps are on
// for the first 12 h.
func runNights(n *Night, days int, step time.Duration, curve func(day int, h float64) float64) (ended int) {
	for at := time.Duration(0); at <= time.Duration(days)*24*time.Hour; at += step {
		day, h := int(at/(24*time.Hour)), math.Mod(at.Hours(), 24)
		if n.Observe(at, curve(day, h), h < 12) {
			ended++
		}
	}
	return ended
}

// 26 °C for 12 h and 22 °C for 12 h: drop 4, mean of the means 24 (the
// project's own example).
func TestNightDropExample(t *testing.T) {
	var n Night
	ended := runNights(&n, 3, time.Minute, func(_ int, h float64) float64 {
		if h < 12 {
			return 26
		}
		return 22
	})
	r, ok := n.Report()
	if ended != 3 || !ok || !r.Complete {
		t.Fatalf("%d nights ended, report %+v", ended, r)
	}
	near(t, "drop", r.Drop, 4, 1e-9)
	near(t, "mean of day and night", (r.DayMean+r.NightMean)/2, 24, 1e-9)
	if n.Streak(2) != 0 {
		t.Error("nights with a drop make a streak without")
	}
}

// The drop is taken from the last two hours of each: a slow tank has arrived by
// then, and a spike does not count.
func TestNightDropUsesTheLastTwoHours(t *testing.T) {
	var n Night
	runNights(&n, 2, time.Minute, func(_ int, h float64) float64 {
		spike := 0.0
		if h > 11 && h < 11.2 {
			spike = 5
		}
		if h < 12 {
			return 22 + 4*(1-math.Exp(-h/2)) + spike
		}
		return 22 + 4*math.Exp(-(h-12)/2)
	})
	r, _ := n.Report()
	near(t, "drop", r.Drop, 4*(1-2*math.Exp(-5.5)), 0.02)
	near(t, "day's maximum", r.DayMax, 31, 0.2)
}

func TestNightStreakAndGaps(t *testing.T) {
	var n Night
	for day := range 6 {
		from := time.Duration(day) * 24 * time.Hour
		for m := range 24 * 60 {
			at := from + time.Duration(m)*time.Minute
			night := m >= 720
			if day == 3 && m > 1200 {
				continue // the probe is silent to the end of this night
			}
			c := 25.0
			if night && day < 2 {
				c = 22
			}
			n.Observe(at, c, !night)
		}
	}
	n.Observe(6*24*time.Hour, 25, true)
	if got := n.Streak(1.5); got != 3 {
		t.Errorf("streak %d: want 3 of the nights 2, 4 and 5, with the silent one neither counting nor breaking", got)
	}
	if got := n.Streak(-1); got != 0 {
		t.Errorf("streak of drops below −1 °C is %d", got)
	}
}

// A lamp test of ten minutes in the night is no day.
func TestShortSwitchIsNoDay(t *testing.T) {
	var n Night
	ended := 0
	for at := time.Duration(0); at <= 36*time.Hour; at += time.Minute {
		h := math.Mod(at.Hours(), 24)
		on := h < 12 || h > 15 && h < 15.2
		if n.Observe(at, 24, on) {
			ended++
		}
	}
	if ended != 1 {
		t.Errorf("%d nights ended in one and a half days", ended)
	}
}

// lampDay is an enclosure under lamps from hour 8 to 20 in a room of 22 °C; lit says
// at which minutes they burn. each looks every ten minutes.
func lampDay(w *LampWatch, day int, lit func(minute int) bool, each func(minute int, s LampSign)) {
	warm := 0.0
	if lit(-1) {
		warm = 2.5
	}
	for m := range 24 * 60 {
		at := time.Duration(day)*24*time.Hour + time.Duration(m)*time.Minute
		target, room := 0.0, 22+0.3*math.Sin(float64(m)/200)
		if lit(m) {
			target = 2.5
		}
		warm += (target - warm) / 40
		w.Observe(at, room+warm, room, true, scheduled(m))
		if m%10 == 9 {
			each(m, w.Sign)
		}
	}
}

func scheduled(m int) bool { return m >= 480 && m < 1200 }

// Within an hour of a switch that does not come the odds are in the thousands, and
// no sound day comes near that.
func TestLamps_SwitchThatDoesNotCome(t *testing.T) {
	for name, c := range map[string]struct {
		lit  func(int) bool
		from int // minute of the switch that does not come
	}{
		"they do not go off": {func(m int) bool { return m >= 480 }, 1200},
		"they do not go on":  {func(int) bool { return false }, 480},
	} {
		var w LampWatch
		for day := range 4 {
			lampDay(&w, day, scheduled, func(m int, s LampSign) {
				if s.Missing >= LampHint || day == 3 && s.Looks >= 3 && s.Missing > -LampHint {
					t.Errorf("%s: a sound day %d, minute %d: %+v", name, day, m, s)
				}
			})
		}
		told := 0
		lampDay(&w, 4, c.lit, func(m int, s LampSign) {
			if s.Missing >= 8 && told == 0 {
				told = m
			}
		})
		if told < c.from || told > c.from+60 {
			t.Errorf("%s: told at minute %d, want within the hour of %d", name, told, c.from)
		}
		if w.Course[1].Days[0] > 5 || w.Course[0].Days[0] > 5 {
			t.Errorf("%s: a step that was missing was learned", name)
		}
	}
}

// Lamps that lost their power at noon, or came on at three, step without a switch,
// and are not missed at the next one.
func TestLamps_StepWithoutASwitch(t *testing.T) {
	for name, c := range map[string]struct {
		lit  func(int) bool
		from int
	}{
		"off since noon": {func(m int) bool { return m >= 480 && m < 720 }, 720},
		"on since 3":     {func(m int) bool { return m >= 180 && m < 1200 }, 180},
	} {
		var w LampWatch
		for day := range 4 {
			lampDay(&w, day, scheduled, func(m int, s LampSign) {
				if s.Moved >= 1 {
					t.Errorf("%s: a sound day, minute %d: %+v", name, m, s)
				}
			})
		}
		told := 0
		lampDay(&w, 4, c.lit, func(m int, s LampSign) {
			if s.Moved >= 7 && told == 0 {
				told = m
				w.IsWrong()
			}
		})
		if told < c.from || told > c.from+60 || !w.Early && name == "off since noon" {
			t.Errorf("%s: told at minute %d, want within the hour of %d; %+v", name, told, c.from, w.Early)
		}
	}
}

// A heater that stuck as the lamps went off is no lamp.
func TestLamps_SomethingStronger(t *testing.T) {
	c := usualCourse{}
	for range 5 {
		c.learn(4, -2, 0)
	}
	if got := c.missing(4, 0, 0, lampScale); got < 8 {
		t.Errorf("no step: %v", got)
	}
	if got := c.missing(4, 2, 0, lampScale); got != 0 {
		t.Errorf("a step the other way, and far: %v", got)
	}
	if a, b := c.missing(4, -0.6, 0, lampScale), c.missing(4, -0.6, 4, lampScale); b > a/2 {
		t.Errorf("a room that moved by 4 °C as it never does: %v, without %v", b, a)
	}
}

// Lit and dark are learned: 30 lx of room light at night are dark where the
// lamps bring 2,000.
func TestLightProbe(t *testing.T) {
	var w LampWatch
	feed := func(from, to int, lux float64, on bool) {
		for m := from; m < to; m++ {
			w.ObserveLight(time.Duration(m)*time.Minute, lux, on)
		}
	}
	feed(0, 600, 2000, true)
	feed(600, 1200, 5, false)
	feed(1200, 1230, 30, false)
	if w.Light.State != LampsOff {
		t.Errorf("30 lx at night is %v, want off", w.Light.State)
	}
	feed(1230, 1235, 2000, false)
	if w.Light.State != LampsOff {
		t.Error("five minutes of a torch count as lamps")
	}
	feed(1235, 1260, 2000, false)
	if w.Light.State != LampsOn {
		t.Error("half an hour of light does not count as lamps")
	}
	w.ObserveLight(1300*time.Minute, math.NaN(), true)
	w.ObserveLight(1300*time.Minute, -1, true)
	if w.Light.State != LampsOn {
		t.Error("NaN or negative light changed the state")
	}
}

// A phase of an hour is one; a night is whole with twelve means of five minutes in the
// last two hours of both.
func TestNight_AtItsLimits(t *testing.T) {
	for on, want := range map[time.Duration]bool{time.Hour: true, time.Hour - 1: false} {
		var n Night
		n.Observe(10*time.Hour, 26, true)
		n.Observe(10*time.Hour+on, 24, false)
		if n.HasDay != want {
			t.Errorf("lamps on for %v: a day %v", on, n.HasDay)
		}
	}
	for bins, want := range map[int]bool{12: true, 11: false} {
		var p lampPhase
		for i := range bins {
			p.add(10*time.Hour+time.Duration(i)*nightBin, 20+float64(i))
		}
		got, ok := p.tail(10*time.Hour + 2*time.Hour)
		if ok != want || got != 20+float64(bins-1)/2 {
			t.Errorf("%d means: %v, %v", bins, got, ok)
		}
	}
	// The last two hours are those before the end, and only they.
	var p lampPhase
	for i := range 60 {
		p.add(10*time.Hour+time.Duration(i)*nightBin, float64(i))
	}
	if got, ok := p.tail(10*time.Hour + 60*nightBin); !ok || got != 47.5 {
		t.Errorf("median of the last 24 of 60 means: %v", got)
	}
	if got, ok := p.tail(10*time.Hour + 72*nightBin); !ok || got != (47+59)/2. {
		t.Errorf("an hour later: %v", got)
	}
	// A mean that lies before this phase is another one's.
	q := lampPhase{Start: 10 * time.Hour, Bin: 200}
	q.Bins[0], q.Tail[0], q.Bins[1], q.Tail[1] = 119, 5, 118, 9
	if got, _ := q.tail(11 * time.Hour); got != 5 {
		t.Errorf("median %v", got)
	}
	if p.Min != 0 || p.Max != 59 || math.Abs(p.Mean-29.5) > 1e-9 {
		t.Errorf("%+v", p)
	}
	// A drop of just the least is one.
	n := Night{N: 3, Drops: [dropsKept]float64{3, 1, 2}}
	for least, want := range map[float64]int{1: 0, 2: 0, 2.1: 2, 3: 2, 3.1: 3} {
		if got := n.Streak(least); got != want {
			t.Errorf("nights in a row under %v °C: %d", least, got)
		}
	}
}

// A switch is held against the minutes before it, of two means; lamps that dim before it
// are known by that.
func TestLamps_WhatWasBeforeASwitch(t *testing.T) {
	w := LampWatch{On: true, HasRoom: true, Sign: LampSign{Carried: 1, Missing: 2}}
	w.Past[0], w.Open = pairMean{Value: 2, Beside: 21, N: 6}, pairMean{Value: 3, Beside: 22, N: 2}
	w.Past[lampWindow-1] = pairMean{Value: 3.25, N: 6}
	w.Ramp[0] = -0.5
	w.switched(time.Hour) // they go off
	if b := w.Since.Before; b.Value != 2.25 || b.Beside != 21.25 || b.N != 8 || w.Sign.Carried != 3 || w.Sign.Missing != 0 {
		t.Errorf("%+v, %+v", b, w.Sign)
	}
	if w.Ramp != [2]float64{-0.75, 0} { // half way from −0.5 to −1
		t.Errorf("ramps %v", w.Ramp)
	}
	for _, c := range []struct {
		on   bool
		ramp [2]float64
		want bool
	}{
		{true, [2]float64{-0.15, 0}, true}, {true, [2]float64{-0.14, 1}, false},
		{false, [2]float64{0, 0.15}, true}, {false, [2]float64{-1, 0.14}, false},
	} {
		if w := (LampWatch{On: c.on, Ramp: c.ramp}); w.Ramps() != c.want {
			t.Errorf("%+v: ramps %v", c, w.Ramps())
		}
	}
	// Nothing known before it: no course.
	w = LampWatch{}
	if w.switched(time.Hour); w.Since.Begun {
		t.Error("a course from nothing")
	}
}

// The room reaches an enclosure late: 68 of 100 with 0.4 h, the rest with 6 h.
func TestLamps_Around(t *testing.T) {
	var w LampWatch
	w.Observe(0, 20, 20, true, false)
	for m := 1; m <= 60; m++ {
		w.Observe(time.Duration(m)*time.Minute, 20, 26, true, false)
	}
	near(t, "°C around", w.Around(), 20+6*(0.68*(1-math.Exp(-1/0.4))+0.32*(1-math.Exp(-1/6.))), 1e-9)
	for _, c := range []struct {
		gap  time.Duration
		want bool // it begins anew
	}{{lampGap, false}, {lampGap + 1, true}} {
		v := w
		v.Switch, v.Since.Begun = 1, true
		v.Observe(w.Last+c.gap, 20, 26, true, false)
		if (v.Switch != 1) != c.want {
			t.Errorf("after %v: %v", c.gap, v.Switch)
		}
	}
	for _, c := range []struct {
		gap  time.Duration
		want float64
	}{{2 * time.Hour, 30}, {2*time.Hour + 1, 20}} {
		v := w
		v.Follow = filter{30, 30}
		v.begin(w.Last+c.gap, 20)
		if v.Follow.Fast != c.want {
			t.Errorf("after %v the room is followed from %v °C", c.gap, v.Follow.Fast)
		}
	}
}

// A step without a switch is weighed against what the last hundreds of minutes strayed
// by, as a likelihood ratio.
func TestLamps_MovedIsALikelihoodRatio(t *testing.T) {
	density := func(x, v float64) float64 { return math.Exp(-x*x/(2*v)) / math.Sqrt(2*math.Pi*v) }
	make := func(now float64) LampWatch {
		w := LampWatch{On: true, HasRoom: true, Started: true, Slot: 100, Last: 101 * courseBin, Switch: 90 * courseBin, Seen: 30, Wander: 0.04}
		for range 3 {
			w.Course[0].learn(lampWindow-1, -2.5, 0)
		}
		w.Since.Begun = true
		for k := range w.Steps[1].N {
			w.Steps[1].N[k] = stepFew // each day it stayed where it was
		}
		w.Open = pairMean{Value: now, Beside: 22.4, N: 10}
		w.Past[lampWindow-1] = pairMean{Value: 2, Beside: 22, N: 10}
		return w
	}
	for _, moved := range []float64{-2.5, -1, -0.1, 0, 0.1} {
		w := make(2 + moved)
		w.closeSlot(101)
		v := (20*0.0625+30*0.04)/50 + 0.1*0.1
		want := math.Log(density(moved+2.5, v+0.09*6.25) / (density(moved, v) + density(moved, v+0.25)/30))
		near(t, "evidence", w.Sign.Moved, want, 1e-6)
		if learned := w.Seen == 31; learned != (want <= 0) {
			t.Errorf("by %v °C: learned %v", moved, learned)
		} else if learned {
			near(t, "wander", w.Wander, 0.04+(moved*moved-0.04)/31, 1e-9)
		}
	}
	for name, change := range map[string]func(*LampWatch){
		"the other way":          func(w *LampWatch) { w.Open.Value = 4 },
		"soon after a switch":    func(w *LampWatch) { w.Switch++ },
		"no room":                func(w *LampWatch) { w.HasRoom = false },
		"nothing before":         func(w *LampWatch) { w.Past[lampWindow-1].N = 0 },
		"nothing now":            func(w *LampWatch) { w.Open = pairMean{} },
		"lamps that barely warm": func(w *LampWatch) { w.Course[0].Mean[lampWindow-1] = -0.49 },
	} {
		w := make(-0.5)
		change(&w)
		if w.closeSlot(101); w.Sign.Moved != 0 {
			t.Errorf("%s: evidence %v", name, w.Sign.Moved)
		}
	}
	w := make(-0.5)
	w.Course[0].Mean[lampWindow-1] = -0.5
	if w.closeSlot(101); !w.Sign.Warms {
		t.Error("half a degree, twice the noise, is not warm")
	}
	w = make(-0.5)
	if w.closeSlot(102); w.Sign.Moved != 0 {
		t.Error("ten minutes without readings are taken for the ones before them")
	}
}

// Ten minutes after a switch are looked at when they are over; of two looks the less
// counts, and a step that came settles it.
func TestLamps_LooksAtACourse(t *testing.T) {
	w := LampWatch{On: true, HasRoom: true, Started: true, Switch: time.Hour, Last: time.Hour, Since: lampCourse{Begun: true, Before: pairMean{Value: 1, Beside: 22, N: 5}}}
	for range 4 {
		for k := range lampBins {
			w.Course[1].learn(k, 0.5+0.2*float64(k), 0)
		}
	}
	usual := w.Course[1]
	values := []float64{1, 1.1, 1, 3, 1.2}
	for k, v := range values {
		for m := range 10 {
			w.follow(time.Hour+time.Duration(10*k+m)*time.Minute, v, 22.5)
		}
		if w.Since.Next != k || w.Sign.Looks != k {
			t.Fatalf("before the end of %d: %+v", k, w.Sign)
		}
		w.follow(time.Hour+time.Duration(10*k+10)*time.Minute, v, 22.5)
		is := func(k int) float64 { return usual.missing(k, values[k]-1, 0.5, lampScale) }
		want := is(k)
		if k > 0 {
			want = min(want, is(k-1))
		}
		if is(k) < 0 {
			want = is(k)
		}
		if k == 0 {
			want = min(want, 0)
		}
		near(t, "evidence", w.Sign.Missing, want, 1e-6)
		w.Since.Open = pairMean{} // the last reading was one of the next
	}
}

// Light is judged in the middle of what is known of lit and dark, in the logarithm, and
// after ten minutes.
func TestLamps_Light(t *testing.T) {
	l := lightWatch{}
	near(t, "lux before anything is known", math.Exp(l.threshold()), math.Sqrt(2*80), 1e-9)
	l = lightWatch{SeenOn: 1, LogOn: math.Log(5000), SeenOff: 1, LogOff: math.Log(50)}
	near(t, "lux between", math.Exp(l.threshold()), 500, 1e-6)
	for after, want := range map[time.Duration]Lamps{10 * time.Minute: LampsOn, 10*time.Minute - 1: LampsOff} {
		var w LampWatch
		w.ObserveLight(0, 1, false)
		w.ObserveLight(time.Hour, 1000, false)
		w.ObserveLight(time.Hour+after, 1000, false)
		if w.Light.State != want {
			t.Errorf("%v of light: %v", after, w.Light.State)
		}
	}
	level, seen := 0.0, 0
	for _, x := range []float64{2, 4, 6} {
		learn(&level, &seen, x)
	}
	if level != 4 || seen != 3 {
		t.Errorf("mean of three is %v of %d", level, seen)
	}
	seen = 1000
	if learn(&level, &seen, 54); level != 5 {
		t.Errorf("a fiftieth of what is new counts later: %v", level)
	}
}

// What shines while the lamps should be off is not learned as dark, nor the dark as lit.
func TestLamps_LearnLightOnlyAsScheduled(t *testing.T) {
	var w LampWatch
	w.ObserveLight(0, 1000, false)
	w.ObserveLight(time.Minute, 1, true)
	if w.Light.SeenOn != 0 || w.Light.SeenOff != 0 {
		t.Errorf("%+v", w.Light)
	}
	w.ObserveLight(2*time.Minute, 1000, true)
	w.ObserveLight(3*time.Minute, 1, false)
	if w.Light.SeenOn != 1 || w.Light.SeenOff != 1 || w.Light.LogOn != math.Log(1000) || w.Light.LogOff != 0 {
		t.Errorf("%+v", w.Light)
	}
}
