package climate

import (
	"math"
	"slices"
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

// lampDay is an enclosure under lamps from hour 8 to 20 in a room of 22 °C.
func lampDay(w *LampWatch, day int, works func(on bool) bool, each func(LampStep)) {
	warm, was := 0.0, false
	for m := range 24 * 60 {
		at := time.Duration(day)*24*time.Hour + time.Duration(m)*time.Minute
		scheduled := m >= 480 && m < 1200
		lit := scheduled
		if !works(scheduled) {
			lit = was
		}
		was = lit
		target := 0.0
		if lit {
			target = 2.5
		}
		warm += (target - warm) / 40
		if w.Observe(at, 22+warm+0.3*math.Sin(float64(m)/200), 22+0.3*math.Sin(float64(m)/200), true, scheduled) {
			s, _ := w.Step()
			each(s)
		}
	}
}

func TestLampsStuck(t *testing.T) {
	var w LampWatch
	var last []LampVerdict
	judge := func(s LampStep) { last = append(last, JudgeLamps(s, nil)) }
	day := 0
	for ; day < 4; day++ {
		lampDay(&w, day, func(bool) bool { return true }, judge)
	}
	if last[0] != LampsUnjudged || last[len(last)-1] != LampsAsScheduled {
		t.Errorf("verdicts of sound lamps: %v, want unjudged first and as scheduled in the end", last)
	}
	last = nil
	lampDay(&w, day, func(on bool) bool { return on }, judge) // they do not go off
	if len(last) != 2 || last[0] != LampsAsScheduled || last[1] != LampsStuckOn {
		t.Errorf("lamps that stay on: %v", last)
	}
	last = nil
	lampDay(&w, day+1, func(bool) bool { return true }, judge)
	last = nil
	lampDay(&w, day+2, func(on bool) bool { return !on }, judge) // they do not come on
	if len(last) != 2 || last[0] != LampsStuckOff {
		t.Errorf("lamps that stay off: %v", last)
	}
}

// Lamps that lost their power at noon, or were on all night, do not step at the next
// switch, and are not stuck the other way.
func TestLampsStepBeforeTheirTime(t *testing.T) {
	for name, works := range map[string]func(minute int) bool{
		"off since noon": func(m int) bool { return m >= 480 && m < 720 },
		"on since 3":     func(m int) bool { return m >= 180 && m < 1200 },
	} {
		var w LampWatch
		var got []LampVerdict
		for day := range 5 {
			lit := works
			if day < 4 {
				lit = func(m int) bool { return m >= 480 && m < 1200 }
			}
			got = nil
			warm := 0.0
			for m := range 24 * 60 {
				target := 0.0
				if lit(m) {
					target = 2.5
				}
				warm += (target - warm) / 40
				at := time.Duration(day)*24*time.Hour + time.Duration(m)*time.Minute
				if w.Observe(at, 22+warm, 22, true, m >= 480 && m < 1200) {
					s, _ := w.Step()
					got = append(got, JudgeLamps(s, nil))
				}
			}
		}
		want := []LampVerdict{LampsAsScheduled, LampsUnjudged}
		if name == "on since 3" {
			want = []LampVerdict{LampsUnjudged, LampsAsScheduled}
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
}

func TestJudgeLamps(t *testing.T) {
	gone := LampStep{On: true, Step: 0.1, Usual: 1.0, Judged: true}
	there := LampStep{On: true, Step: 1.1, Usual: 1.0, Judged: true}
	off := LampStep{On: false, Step: -1, Usual: -1, Judged: true}
	clear := LampStep{On: true, Step: 0.1, Usual: 2.0, Judged: true, Room: true}
	lit := func(s LampStep, l Lamps) LampStep { s.Light = l; return s }
	for name, c := range map[string]struct {
		own   LampStep
		peers []LampStep
		want  LampVerdict
	}{
		"a small step is missing, nobody to ask": {gone, nil, LampsUnjudged},
		"peers warmed":                           {gone, []LampStep{there, there, gone}, LampsStuckOff},
		"peers did not either: the room's doing": {gone, []LampStep{gone, gone}, LampsUnjudged},
		"peers that switched off say nothing":    {gone, []LampStep{off, off}, LampsUnjudged},
		"own step is never lost":                 {clear, []LampStep{gone}, LampsStuckOff},
		"a step as usual":                        {there, nil, LampsAsScheduled},
		"half a step":                            {LampStep{On: true, Step: 0.45, Usual: 1, Judged: true}, []LampStep{there}, LampsUnjudged},
		"no history":                             {LampStep{On: true, Step: 0}, []LampStep{there}, LampsUnjudged},
		"a light probe sees them on":             {lit(gone, LampsOn), []LampStep{there}, LampsAsScheduled},
		"a light probe sees them off":            {lit(there, LampsOff), nil, LampsStuckOff},
		"a light probe sees them on at night":    {lit(off, LampsOn), nil, LampsStuckOn},
		"no step down, peers cooled":             {LampStep{On: false, Step: -0.1, Usual: -1, Judged: true}, []LampStep{off}, LampsStuckOn},
	} {
		if got := JudgeLamps(c.own, c.peers); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
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
