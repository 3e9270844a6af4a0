package climate

import (
	"math"
	"math/rand/v2"
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
		return m.weigh(hides, usual, v, v)
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

// A pump that never worked is missed where a mist would be plain to see, and one that
// works is not, whatever shows of it, on the first days either.
func TestMistMiss_FromTheStart(t *testing.T) {
	for _, c := range []struct {
		name       string
		poll       time.Duration
		base, rise float64
		half       float64
		missed     bool
	}{
		{"none, dry", 30 * time.Second, 75, 0, 1, true},
		{"none, at 85 %", 30 * time.Second, 85, 0, 1, true},
		{"none, wet", 30 * time.Second, 97, 0, 1, false},
		{"none, polled rarely", 5 * time.Minute, 75, 0, 1, false},
		{"given, plain to see", 30 * time.Second, 75, 20, 0.5, false},
		{"given, gone in minutes", 30 * time.Second, 80, 15, 0.06, false},
		{"given, little", 30 * time.Second, 75, 3, 1, false},
	} {
		said, w := misted(6, c.poll, 0.1, func(day int, since float64) float64 {
			rh := c.base + 2*math.Sin(float64(day))
			if since >= 0 {
				rh += c.rise * math.Exp2(-since/c.half)
			}
			return rh
		})
		missed := 0
		for _, v := range said {
			if v == MistMissed {
				missed++
			}
		}
		t.Logf("%s: %d of %d missed, %.1f evidence of the last, %.1f in all", c.name, missed, len(said), w.Miss.Evidence, w.Miss.Sum)
		if missed > 0 != c.missed || c.missed && missed < 3 {
			t.Errorf("%s: %d of %d missed", c.name, missed, len(said))
		}
	}
}

// An enclosure that is new is held against what the same mist brought in the others, and
// one that is known against its own.
func TestMistMiss_BesideTheOthers(t *testing.T) {
	var pool MistPool
	for _, share := range []float64{0.3, 0.5, 0.4, 0.45} {
		pool.Add(&MistWatch{Miss: mistMiss{Seen: true, Share: share}})
	}
	pool.Add(&MistWatch{Miss: mistMiss{Share: 9}}) // nobody looked
	for _, c := range []struct {
		name     string
		share, n float64
		least    float64
		most     float64
	}{
		{"nothing", 0, 0, MistMissedTold / 2, 8},
		{"a bit drier, as lamps came on", -0.1, 0, MistMissedTold / 2, 8},
		{"half as much", 0.2, 0, -8, 1},
		{"as much", 0.4, 0, -8, 0},
		{"nothing, but it is known", 0, mistKnown, 1, 1},
	} {
		w := MistWatch{Miss: mistMiss{Seen: true, Share: c.share, Room: 13, Noise: 0.25, Evidence: 1, Gain: mistGain{N: float32(c.n)}}}
		if w.Beside(&pool); w.Miss.Evidence < c.least || w.Miss.Evidence > c.most {
			t.Errorf("%s: %.2f of evidence, want %v to %v", c.name, w.Miss.Evidence, c.least, c.most)
		}
	}
}

// Where others on the supply got it, one mist in whose place vapour goes out of the air is
// a door at the wrong minute, however surely it showed until now, and two in a row are
// missed. Where nobody got it, or the vapour stays, though lamps make the air drier, the
// first is.
func TestMistMiss_TheSecondWhereOthersGotIt(t *testing.T) {
	const due = 10 * time.Hour
	for _, c := range []struct {
		others, rh, grams float64
		want              MistVerdict // of the first
	}{{0, 66, 14, MistMissed}, {0.4, 66, 14, MistUnclear}, {0.4, 66, 15, MistMissed}, {0.4, 70, 15, MistMissed}, {0.4, 69.5, 14.8, MistMissed}} {
		var pool MistPool
		if c.others > 0 {
			pool.Add(&MistWatch{Miss: mistMiss{Seen: true, Share: c.others}})
		}
		d := MistDetector{LastAt: due + mistWait, Filled: 16}
		for m := range 16 {
			at := due + time.Duration(m-5)*time.Minute
			d.Ring[m] = mistMinute{At: at, RH: 70, Grams: 15}
			if at >= due {
				d.Ring[m].RH, d.Ring[m].Grams = c.rh, c.grams
			}
		}
		g := mistGain{N: mistMind, Share: 0.4, Var: 1e-4, Top: 90}
		w := MistWatch{Miss: mistMiss{Gain: g, Given: mistLong}}
		for i, want := range [2]MistVerdict{c.want, MistMissed} {
			w.Miss.look(due, &d, &g)
			w.Beside(&pool)
			if got := w.Settle(MistMissed, false); got != want {
				t.Errorf("%+v, mist %d: %v, want %v; evidence %v", c, i, got, want, w.Miss.Evidence)
			}
		}
	}
}

// Whether mists show in a room is one question: slow probes that all gain a little after
// one, as in a rack, saw it (that they gained less than a mist usually brings was told as
// an empty supply by sums of 13), and those that gain nothing did not. A door does not
// decide.
func TestMistSupply_None(t *testing.T) {
	for _, c := range []struct {
		name  string
		noise float64 // variance, in %
		gains []float64
		none  bool
	}{
		{"a rack of slow probes", 0.27, []float64{0.7, 0.9, 1.3, 1.2, 1.0, 0.8, 1.3, 0.8}, false},
		{"one with a door", 0.27, []float64{-4.4, 1.8, 2.0, 1.7, 1.3, 1.2, 1.5, 1.7}, false},
		{"its pump dead", 0.27, []float64{-0.8, -0.3, -0.4, -0.5, -0.4, -0.7, -0.3, -0.7}, true},
		{"that, and a door that shuts", 0.27, []float64{-0.8, -0.3, -0.4, -0.5, -0.4, -0.7, 5, -0.7}, true},
		{"that, and a door that opens", 0.27, []float64{-0.8, -0.3, -0.4, -0.5, -0.4, -0.7, -20, -0.7}, true},
		{"noise", 4, []float64{-0.8, -0.3, -0.4, -0.5, -0.4, -0.7, -0.3, -0.7}, false},
		{"one enclosure", 0.27, []float64{-0.5}, false},
	} {
		var s MistSupply
		for _, gain := range c.gains {
			s.Add(&MistWatch{Miss: mistMiss{Guessed: true, Share: gain / 15, Room: 15, Noise: c.noise}})
		}
		if got := s.None(); got != c.none {
			t.Errorf("%s: %v, evidence %v", c.name, got, s.guess.evidence(s.n))
		}
	}
	s := MistSupply{}
	s.Add(&MistWatch{Miss: mistMiss{Evidence: 9}})
	if s.None() {
		t.Error("one that is known decided for its supply")
	}
	if s.Add(&MistWatch{Miss: mistMiss{Evidence: 1.1}}); !s.None() {
		t.Errorf("two that are known did not: %v", s.sum)
	}
}

// A second look at what is not known adds less than the first, and one at what speaks for
// a mist takes it back: what the mists of an enclosure bring is one question.
func TestMistMiss_GuessesOnce(t *testing.T) {
	var m mistMiss
	var g mistGain
	var sums []float64
	for range 9 {
		m.Seen, m.Guessed, m.Share, m.Room, m.Noise = true, true, 0, 15, 0.25
		was := m.Guess.evidence(1)
		m.Evidence = m.guess().evidence(1) - was
		m.settle(MistMissed, false, &g)
		sums = append(sums, m.Sum)
	}
	if first, last := sums[0], sums[8]-sums[7]; first < 1 || last > first/2 || m.Sum > -math.Log(mistNever) || !m.Told || g.N != 0 {
		t.Errorf("%.2f, told %v, learned %v", sums, m.Told, g.N)
	}
	m = mistMiss{}
	for i, share := range []float64{0, 0.2} {
		m.Seen, m.Guessed, m.Share, m.Room, m.Noise = true, true, share, 15, 0.25
		was := m.Guess.evidence(1)
		m.Evidence = m.guess().evidence(1) - was
		m.settle([]MistVerdict{MistMissed, MistUnclear}[i], false, &g)
	}
	if m.Sum != 0 || m.Guess != (mistGuess{}) || g.N != 1 {
		t.Errorf("%+v, learned %v", m, g.N)
	}
}

// An enclosure in which mists hardly show, as on a top shelf, is not told as one that gets
// none because that is seen again and again: two misses that tell together do.
func TestMistMiss_ShownNowhereYet(t *testing.T) {
	var pool MistPool
	pool.Add(&MistWatch{Miss: mistMiss{Seen: true, Share: 0.4}})
	for _, c := range []struct {
		evidence float64
		told     int // by the first, the second or none
	}{{MistMissedTold, 0}, {MistMissedTold/2 + 0.1, 1}, {MistMissedTold/2 - 0.1, 9}} {
		var w MistWatch
		for i := range 5 {
			w.Miss.Seen, w.Miss.Room, w.Miss.Share, w.Miss.Evidence = true, 40, 0.01, c.evidence
			w.Beside(&pool)
			if got := w.Settle(MistMissed, false); got == MistMissed != (i >= c.told) {
				t.Errorf("evidence %v, mist %d: %v", c.evidence, i, got)
			}
		}
	}
}

// Nobody knows what a mist adds to leaves that are wet still from the last one, until it was
// seen. Air that dries for half a day, as with a pump that stops, is no reason.
func TestMistMiss_NoGuessWhileItDries(t *testing.T) {
	const due = 10 * time.Hour
	for _, c := range []struct {
		phase mistPhase
		ago   time.Duration
		want  bool
	}{{mistIdle, 75 * time.Minute, false}, {mistDrying, 75 * time.Minute, false}, {mistDrying, mistLeaves, true}, {mistIdle, 5 * time.Hour, true}, {mistRising, -mistWet, true}} {
		d := MistDetector{Phase: c.phase, LastAt: due + mistWait, Filled: 16}
		if p := (Pulse{PeakAt: due - c.ago}); c.phase == mistIdle {
			d.Done, d.Pulses = p, 1
		} else {
			d.Now = p
		}
		for m := range 16 {
			d.Ring[m] = mistMinute{At: due + time.Duration(m-5)*time.Minute, RH: 70, Grams: 15}
		}
		var m mistMiss
		if m.look(due, &d, &mistGain{}); m.Evidence > 1 != c.want {
			t.Errorf("%+v: evidence %v", c, m.Evidence)
		}
	}
}

// A mist that was not seen counts as hidden, should it turn out to have fallen, from evidence
// of 2 on.
func TestMistMiss_Odd(t *testing.T) {
	for evidence, want := range map[float64]int{2: 1, 1.9: 0} {
		m := mistMiss{Evidence: evidence}
		if got := m.miss(false); got != MistUnclear || m.Odd != want || m.Row != 1 || m.Sum != evidence {
			t.Errorf("evidence of %v: %v, %+v", evidence, got, m)
		}
	}
	if _, known := new(MistDetector).before(); known {
		t.Error("a temperature before nothing")
	}
}
