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
