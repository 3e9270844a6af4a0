package climate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// That nothing fell is weighed from the minutes of ten before to those of two after and
// later, in what both the relative and the absolute humidity gained.
func TestMistMiss_IsALikelihoodRatio(t *testing.T) {
	const due = 10 * time.Hour
	density := func(x, v float64) float64 { return math.Exp(-x*x/(2*v)) / math.Sqrt(2*math.Pi*v) }
	d := MistDetector{Stirs: 2.26}
	add := func(at time.Duration, rh, grams float64) {
		d.Ring[d.Filled] = mistMinute{At: at, RH: rh, Grams: grams}
		d.Filled++
		d.LastAt = at
	}
	add(due-mistWait-1, 20, 4) // too old
	add(due-mistWait, 70, 14)
	add(due-1, 74, 14.8)
	add(due, 50, 10) // it may be on its way
	add(due+mistWet-1, 50, 10)
	add(due+mistWet, 72, 14.4)
	add(due+mistWet+time.Minute, 74, 14.8)
	add(due+mistLate, 76, 15.2)
	add(due+mistWait+mistBin, 99, 20) // too late
	w := MistWatch{Due: due}
	g := &w.Usual[MistDark].Gain
	*g = mistGain{N: 4, Share: 0.5, Var: 0.02, Top: 90}
	w.Miss.Given, w.Miss.Hidden = 10, 0.1
	w.Miss.look(due, &d, g)
	const room, gain, usual = 28, 2, 14
	v := (2*0.08*0.08+4*0.02)/6*1.25*room*room + 0.25 + 4*(1/2.+1/3.)                       // means of two and three minutes that stray by 2 %
	tailed := func(x float64) float64 { return density(x, v) + density(x, v+49)/30 + 3e-5 } // or a door
	hides := (0.015 + 1) / (0.3 + 10)
	near(t, "evidence", w.Miss.Evidence, -math.Log(hides+(1-hides)*tailed(gain-usual)/tailed(gain)), 1e-5)
	near(t, "share", w.Miss.Share, gain/28., 1e-9)
	weigh := func(gain float64) float64 {
		m := mistMiss{Room: room, Share: gain / room}
		return m.weigh(hides, usual, v)
	}
	near(t, "what dries as far as it usually gains", weigh(-usual), weigh(0), 0.2)
	near(t, "what a door took", weigh(-60), 0, 0.1)
	for name, change := range map[string]func(){
		"no more than nothing is usual": func() { g.Share = -0.1 },
		"it is as wet as it ever gets":  func() { g.Share, g.Top = 0.5, 72 },
		"seen twice":                    func() { g.Top, g.N = 90, 2 },
		"the probe fell silent":         func() { g.N, d.LastAt = 4, due+mistLate-1 },
		"nothing seen after it":         func() { d.LastAt, d.Filled = due+mistLate, 3 },
	} {
		was, dw := *g, d
		change()
		if w.Miss.look(due, &d, g); w.Miss.Evidence != 0 {
			t.Errorf("%s: evidence of %v", name, w.Miss.Evidence)
		}
		*g, d = was, dw
	}
}

// misted watches mists at eight of so many days in readings every poll, whose course is
// given in % over hours since; it returns what was said of each.
func misted(days int, poll time.Duration, step float64, course func(day int, since float64) float64) (said []MistVerdict, w MistWatch) {
	var d MistDetector
	rng := rand.New(rand.NewPCG(uint64(poll), 5))
	off := time.Duration(rng.Int64N(int64(poll)))
	for at := off; at < time.Duration(days)*24*time.Hour; at += poll {
		day, hour := int(at.Hours())/24, math.Mod(at.Hours(), 24)
		rh := course(day, hour-8) + 0.3*rng.NormFloat64()
		if due := time.Duration(day)*24*time.Hour + 8*time.Hour; at >= due && at-due < poll {
			w.Expect(due, MistLit)
		}
		d.Observe(at, 24, math.Round(rh/step)*step)
		if v, _ := w.Verdict(at, &d); v != MistPending {
			said = append(said, w.Settle(v, false))
		}
	}
	return said, w
}

// Mists that are given are not missed, however little of them a probe shows; one that
// shows every day is missed on the first day that it does not come, and one that hardly
// shows within the week.
func TestMistMiss_AsSurelyAsItShows(t *testing.T) {
	for _, c := range []struct {
		name       string
		poll       time.Duration
		step       float64
		base, rise float64
		half       float64 // h in which half of it is gone
		late       int     // days until it is missed; 0 for never
	}{
		{"plain to see", 10 * time.Second, 0.1, 75, 20, 0.5, 1},
		{"polled rarely", 5 * time.Minute, 0.1, 75, 20, 0.5, 1},
		{"in coarse steps", time.Minute, 1, 75, 20, 0.5, 1},
		{"gone in minutes, polled rarely", 5 * time.Minute, 1, 80, 15, 0.06, 7},
		{"wet", 5 * time.Minute, 1, 97, 2, 0.5, 14},
		{"nothing ever shows", 5 * time.Minute, 1, 97, 0.1, 0.5, 0},
	} {
		const fails = 60
		given := func(day int, since float64) float64 {
			rh := c.base + 2*math.Sin(float64(day)) // days differ
			if since >= 0 && day < fails {
				rh += min(c.rise, 100-rh) * math.Exp2(-since/c.half)
			}
			return rh
		}
		said, _ := misted(fails+15, c.poll, c.step, given)
		first := 0
		for day, v := range said {
			if v != MistMissed {
				continue
			}
			if first = day - fails + 1; first <= 0 {
				t.Errorf("%s: missed on day %d, when it was given", c.name, day)
			}
			break
		}
		t.Logf("%s: told on day %d", c.name, first)
		if c.late > 0 && (first == 0 || first > c.late) || c.late == 0 && first != 0 {
			t.Errorf("%s: told on day %d after it failed, want %d", c.name, first, c.late)
		}
	}
}

// A timer that drifts by a minute a day is followed, and one that keeps winter time is
// not: its mist does not come when it is due.
func TestMistMiss_FollowsATimer(t *testing.T) {
	for _, c := range []struct {
		name   string
		drift  float64 // min a day
		days   int
		missed bool
	}{{"late", 1, 30, false}, {"early", -1, 10, false}, {"an hour at once", 60, 1, true}} {
		said, w := misted(10+c.days, 30*time.Second, 0.1, func(day int, since float64) float64 {
			since -= c.drift / 60 * float64(max(0, day-9))
			if since < 0 {
				since += 24
			}
			return 75 + 20*math.Exp2(-since/0.5)
		})
		missed := 0
		for _, v := range said {
			if v == MistMissed {
				missed++
			}
		}
		if missed > 0 != c.missed || len(said) != 10+c.days {
			t.Errorf("%s: %d of %d missed, followed to %v", c.name, missed, len(said), w.Miss.Off)
		}
	}
}

// A mist that was told as missing and comes back by itself the next time had been there;
// several that were missing, or one of the whole supply, had not.
func TestMistMiss_LearnsHowOftenItHides(t *testing.T) {
	for _, c := range []struct {
		name   string
		row    int
		none   bool
		hidden float64
	}{{"one", 1, false, 1. / 22}, {"two", 2, false, 0}, {"of the supply", 1, true, 0}} {
		var m mistMiss
		var g mistGain
		for range 20 {
			m.settle(MistSeen, false, &g)
		}
		for range c.row {
			m.Evidence = MistMissedTold
			if got := m.settle(MistMissed, c.none, &g); got != MistMissed {
				t.Errorf("%s: %v", c.name, got)
			}
		}
		m.settle(MistSeen, false, &g)
		near(t, c.name, m.Hidden, c.hidden, 1e-9)
		if m.Row != 0 || m.Sum != 0 || m.Told {
			t.Errorf("%s: %+v", c.name, m)
		}
	}
	var m mistMiss
	var g mistGain
	for i, want := range []MistVerdict{MistUnclear, MistUnclear, MistMissed} { // 2 + 2 + 2
		m.Seen, m.Evidence = true, 2
		if got := m.settle(MistMissed, false, &g); got != want || m.Row != i+1 || g.N != 0 {
			t.Errorf("%d: %v, %+v, learned %v", i, got, m, g.N)
		}
	}
}

// Before any mist showed none is missed, however plain it should be: a slow probe, or a
// small nozzle, may hide it. Where nothing at all came by the third day that is said to be
// so, and where little did it is that which is usual.
func TestMistMiss_FromTheStart(t *testing.T) {
	for _, c := range []struct {
		name       string
		poll       time.Duration
		base, rise float64
		half       float64
		blank      bool
	}{
		{"none, dry", 30 * time.Second, 75, 0, 1, true},
		{"none, at 85 %", 30 * time.Second, 85, 0, 1, true},
		{"none, wet", 30 * time.Second, 97, 0, 1, false},
		{"none, polled rarely", 5 * time.Minute, 75, 0, 1, false},
		{"given, plain to see", 30 * time.Second, 75, 20, 0.5, false},
		{"given, gone in minutes", 30 * time.Second, 80, 15, 0.06, false},
		{"given, little", 30 * time.Second, 75, 3, 1, false},
		{"given, to a slow probe", 30 * time.Second, 90, 0.9, 3, false},
		{"given, to a slow probe, coarse", 2 * time.Minute, 88, 1.2, 3, false},
	} {
		said, w := misted(12, c.poll, 0.1, func(day int, since float64) float64 {
			rh := c.base + 2*math.Sin(float64(day))
			if since >= 0 {
				rh += c.rise * math.Exp2(-since/c.half)
			}
			return rh
		})
		t.Logf("%s: %v, %d show nothing, %.1f evidence of the last, %.1f in all", c.name, said, w.Blank(), w.Miss.Evidence, w.Miss.Sum)
		if slices.Contains(said, MistMissed) || w.Blank() > 0 != c.blank {
			t.Errorf("%s: %v, %d show nothing", c.name, said, w.Blank())
		}
	}
}

// A new enclosure counts as one without mists from the sixth on that brought nothing, until
// one shows; that is then what is usual, and not what did not come before. What the others
// on the supply know of a mist holds for it too.
func TestMistMiss_Blank(t *testing.T) {
	var m mistMiss
	var g mistGain
	look := func(share float64, v MistVerdict, none bool) MistVerdict {
		m.Seen, m.Plain, m.Share, m.Top = true, m.Gain.N < mistKnown, share, 80
		return m.settle(v, none, &g)
	}
	for i := range mistFirst {
		if got := look(0.01, MistUnclear, false); got != MistUnclear || m.blank() > 0 != (i == mistFirst-1) {
			t.Errorf("%d: %v, %d show nothing", i, got, m.blank())
		}
	}
	if got := look(0, MistUnclear, true); got != MistMissed || m.Row != 1 || m.New.N != mistFirst {
		t.Errorf("of the supply: %v, %+v", got, m)
	}
	if got := look(0, MistUnclear, false); got != MistUnclear || m.Row != 0 || m.blank() != mistFirst+1 {
		t.Errorf("the supply runs again: %v, %+v", got, m)
	}
	if got := look(0.5, MistSeen, false); got != MistSeen || m.blank() != 0 || g.N != 1 || g.Share != 0.5 {
		t.Errorf("it shows: %v, %+v, %+v", got, m, g)
	}
	m, g = mistMiss{}, mistGain{}
	for range mistFirst {
		look(0.1, MistUnclear, false)
	}
	if m.blank() != 0 || m.Gain.N != mistFirst || m.New.N != 0 {
		t.Errorf("what shows a little: %+v", m)
	}
}

// A nozzle that gives half is weak also where what it gives is no pulse any more, and that
// does not become usual.
func TestMistMiss_TooWeakForAPulse(t *testing.T) {
	const weak = 20
	said, w := misted(weak+12, 30*time.Second, 0.1, func(day int, since float64) float64 {
		rh := 84 + math.Sin(float64(day))
		if since >= 0 && day < weak {
			rh += 8 * math.Exp2(-since/0.5)
		} else if since >= 0 {
			rh += 4 * math.Exp2(-since/0.5)
		}
		return rh
	})
	for day, v := range said {
		if want := day >= weak; (v == MistWeak) != want || v == MistMissed {
			t.Errorf("day %d: %v, evidence %.1f", day, v, w.Weak)
		}
	}
	if w.Weak < MistWeakTold {
		t.Errorf("evidence %.1f", w.Weak)
	}
}
