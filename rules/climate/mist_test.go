package climate

import (
	"math"
	"testing"
	"time"
)

// humidityAt feeds a detector one reading every step from a curve in minutes.
func mistCurve(d *MistDetector, from, to, step time.Duration, temp float64, rh func(min float64) float64) []MistEvent {
	var events []MistEvent
	for at := from; at < to; at += step {
		if e := d.Observe(at, temp, min(rh(at.Minutes()), 100)); e != NoMist {
			events = append(events, e)
		}
	}
	return events
}

// pulse is a mist at minute start: up in rise minutes, a plateau, then down
// with a time constant (shape: common practice, no source).
func pulse(base, peak, start, rise, plateau, tau float64) func(float64) float64 {
	return func(m float64) float64 {
		switch {
		case m < start:
			return base
		case m < start+rise:
			return base + (peak-base)*(m-start)/rise
		case m < start+rise+plateau:
			return peak
		default:
			return base + (peak-base)*math.Exp(-(m-start-rise-plateau)/tau)
		}
	}
}

func TestMistPulseIsMeasured(t *testing.T) {
	var d MistDetector
	curve := pulse(70, 98, 60, 2, 10, 45)
	events := mistCurve(&d, 0, 8*time.Hour, 10*time.Second, 24, curve)
	if len(events) != 3 || events[0] != MistStarted || events[1] != MistPeaked || events[2] != MistEnded {
		t.Fatalf("events %v, want started, peaked, ended", events)
	}
	p, ok := d.Last()
	if !ok {
		t.Fatal("no pulse")
	}
	near(t, "start in minutes", p.Start.Minutes(), 60, 1.1)
	near(t, "peak", p.Peak, 98, 0.1)
	near(t, "before", p.Before, 70, 0.1)
	near(t, "base", p.Base, 70, 0.5)
	near(t, "half-life in minutes", p.HalfLife.Minutes(), 31.19, 1.0)
	// RH stays at or above 90 % on the plateau and for 45·ln(28/20) min after.
	near(t, "minutes at 90 %", p.Wet.Minutes(), 10+0.6+45*math.Log(28.0/20), 2)
	full := value(t, "saturated")(AbsoluteHumidity(24, 100))
	near(t, "rise in g/m³", p.Rise, 0.28*full, 0.02)
	if age := 2*time.Hour - p.Start; age < 59*time.Minute || age > time.Hour {
		t.Errorf("pulse is %v old, want an hour", age)
	}
}

// Enclosures live at 85–95 %: there a mist is a few points.
func TestMistShowsOnWetAir(t *testing.T) {
	for _, c := range []struct{ base, peak float64 }{{85, 97}, {90, 98}, {93, 99}, {95, 99.5}} {
		var d MistDetector
		events := mistCurve(&d, 0, 3*time.Hour, 10*time.Second, 25, pulse(c.base, c.peak, 60, 2, 5, 20))
		if len(events) < 2 || events[0] != MistStarted {
			t.Errorf("%v to %v %%: events %v", c.base, c.peak, events)
		}
	}
}

func TestSlowReadingsStillShowAMist(t *testing.T) {
	var d MistDetector
	events := mistCurve(&d, 0, 8*time.Hour, 5*time.Minute, 24, pulse(70, 98, 60, 2, 10, 45))
	if len(events) < 2 || events[0] != MistStarted {
		t.Errorf("one reading in five minutes: events %v", events)
	}
}

// What is no mist: lamps that go off (relative humidity up, water not), an
// opened door that shuts, noise.
func TestWhatIsNoMist(t *testing.T) {
	var cooling, door, noise MistDetector
	for at := time.Duration(0); at < 6*time.Hour; at += 10 * time.Second {
		m := at.Minutes()
		temp := 26.0
		if m > 60 {
			temp = 22 + 4*math.Exp(-(m-60)/20)
		}
		rh, err := humidityOfGrams(temp, 18)
		if err != nil {
			t.Fatal(err)
		}
		if e := cooling.Observe(at, temp, rh); e != NoMist {
			t.Fatalf("cooling air at minute %.0f: %v", m, e)
		}
		shut := 85.0
		if m > 60 && m < 64 {
			shut = 60
		} else if m >= 64 {
			shut = 85 - 25*math.Exp(-(m-64)/3)
		}
		if e := door.Observe(at, 24, shut); e != NoMist {
			t.Fatalf("a door at minute %.0f: %v", m, e)
		}
		if e := noise.Observe(at, 24, 88+1.5*math.Sin(m*7)+1.0*math.Sin(m*13)); e != NoMist {
			t.Fatalf("noise at minute %.0f: %v", m, e)
		}
	}
}

func TestMistAgainstItsSchedule(t *testing.T) {
	type day struct {
		peak float64
		want MistVerdict
	}
	var days []day
	for range 6 {
		days = append(days, day{95, MistSeen})
	}
	days = append(days, day{77, MistWeak}, day{70, MistMissed}, day{95, MistSeen})
	var d MistDetector
	var w MistWatch
	for i, c := range days {
		from := time.Duration(i) * 24 * time.Hour
		due := from + time.Hour
		curve := pulse(70, c.peak, due.Minutes(), 2, 3, 40)
		var got MistVerdict
		var at time.Duration
		for now := from; now < from+8*time.Hour; now += 10 * time.Second {
			d.Observe(now, 24, curve(now.Minutes()))
			if now == due {
				w.Expect(now, MistLit)
			}
			if v, when := w.Verdict(now, &d); v != MistPending {
				if got != MistPending {
					t.Errorf("day %d: a second verdict %v", i, v)
				}
				got, at = w.Settle(v, false), now
				if when != due {
					t.Errorf("day %d: verdict about %v, want %v", i, when, due)
				}
			}
		}
		if got != c.want || at-due > 10*time.Minute {
			t.Errorf("day %d: verdict %v after %v, want %v within 10 min", i, got, at-due, c.want)
		}
	}
}

func TestMistTooWetOrBlindIsUnclear(t *testing.T) {
	var wet, blind MistDetector
	var w MistWatch
	mistCurve(&wet, 0, 2*time.Hour, 10*time.Second, 24, func(float64) float64 { return 98 })
	w.Expect(100*time.Minute, MistLit)
	if v, _ := w.Verdict(2*time.Hour, &wet); v != MistUnclear {
		t.Errorf("at 98 %%: verdict %v, want unclear", v)
	}
	mistCurve(&blind, 0, time.Hour, 10*time.Second, 24, func(float64) float64 { return 80 })
	w.Expect(100*time.Minute, MistLit)
	if v, _ := w.Verdict(2*time.Hour, &blind); v != MistUnclear {
		t.Errorf("probe silent: verdict %v, want unclear", v)
	}
}

// A mist that does not stop is told by what the air does not do that it did after
// the mists before: it does not dry. Air that never dries tells nothing.
func TestMist_WithoutAnEnd(t *testing.T) {
	for name, c := range map[string]struct {
		before, half float64 // % and min
		want         bool
	}{
		"air that dries":            {75, 40, true},
		"air that dries by evening": {85, 120, true},
		"closed and wet":            {97, 900, false},
	} {
		var d MistDetector
		var w MistWatch
		most, said := 0.0, time.Duration(0)
		for i := range 6 {
			from, minutes := time.Duration(i)*24*time.Hour, 9.0
			if i == 5 {
				minutes = 1e9
			}
			curve := pulse(c.before, 99.5, from.Minutes()+60, 2, minutes, c.half)
			for now := from; now < from+8*time.Hour; now += 30 * time.Second {
				rh := curve(now.Minutes()) + 0.2*math.Sin(now.Seconds())
				d.Observe(now, 24, rh)
				if now == from+time.Hour {
					w.Expect(now, MistLit)
				}
				w.Dry(now, 24, rh, 0, -1, &d, MistLit)
				switch {
				case i < 5:
					most = max(most, w.Sticks)
				case w.Sticks >= 4.5 && said == 0:
					said = now - from - time.Hour
				}
			}
		}
		if most >= 1 || c.want != (said > 0) || said > 4*time.Hour {
			t.Errorf("%s: evidence of up to %.1f in sound mists, told after %v", name, most, said)
		}
	}
}

// Water that goes on falling cools, also at dusk, when air does not dry.
func TestMist_WithoutAnEndCools(t *testing.T) {
	for name, by := range map[string]float64{"as usual": 0, "cooler by 0.7 °C": 0.7} {
		var c usualCourse
		for i := range 5 {
			c.learn(6, 0.5, 1.4+0.02*float64(i))
		}
		if got := c.cools(6, 1.44-by); by == 0 && got > -0.5 || by > 0 && got < 4 {
			t.Errorf("%s: %.1f", name, got)
		}
	}
}

// A rack-wide miss is the supply, a single one the nozzle.
func TestSupplyOrNozzle(t *testing.T) {
	s, m, w, u := MistSeen, MistMissed, MistWeak, MistUnclear
	for _, c := range []struct {
		verdicts []MistVerdict
		want     MistFault
	}{
		{nil, MistUndecided}, {[]MistVerdict{u, u}, MistUndecided}, {[]MistVerdict{m}, MistUndecided},
		{[]MistVerdict{m, u}, MistUndecided}, {[]MistVerdict{s}, MistOK}, {[]MistVerdict{s, s, u}, MistOK},
		{[]MistVerdict{m, m}, SupplyFault}, {[]MistVerdict{m, m, m, w, u}, SupplyFault},
		{[]MistVerdict{s, m, s, s}, NozzleFault}, {[]MistVerdict{s, w}, NozzleFault},
		{[]MistVerdict{m, m, s, s}, NozzleFault},
	} {
		if got := JudgeMist(c.verdicts); got != c.want {
			t.Errorf("%v: fault %v, want %v", c.verdicts, got, c.want)
		}
	}
}

// logNormal is a density: it adds up to 1, with its variance. One day in thirty is of a
// wider one, which is added.
func TestLogDensities(t *testing.T) {
	const v, tail, step = 1.7, 2.5, 0.01
	var normal, square, tailed, wide float64
	for x := -40.0; x <= 40; x += step {
		p, q := math.Exp(logNormal(x, v))*step, math.Exp(logTailed(x, v, tail))*step
		normal, square = normal+p, square+p*x*x
		tailed, wide = tailed+q, wide+q*x*x
	}
	near(t, "normal", normal, 1, 1e-6)
	near(t, "its variance", square, v, 1e-5)
	near(t, "with the tail", tailed, 1+1/30., 1e-6)
	near(t, "its variance", wide, v+(v+tail*tail)/30, 1e-4)
}

// A course is the mean of its days with their variance, and goes on as a mean over eight
// days: a value counts an eighth, and what was before seven eighths.
func TestUsualCourse_Learns(t *testing.T) {
	var c usualCourse
	values, beside := []float64{1, 2, 4, 1.5, 3, 2.5, 0.5, 2}, []float64{0, 1, 0.5, 2, 1.5, 1, 0, 3}
	moments := func(xs []float64) (mean, variance float64) {
		for _, x := range xs {
			mean += x / float64(len(xs))
		}
		for _, x := range xs {
			variance += (x - mean) * (x - mean) / float64(len(xs))
		}
		return mean, variance
	}
	const k = 3
	for i := range values {
		if known := c.known(k); known != (i >= 2) {
			t.Errorf("after %d days: known %v", i, known)
		}
		c.learn(k, values[i], beside[i])
		for _, x := range []struct {
			mean, variance float32
			of             []float64
		}{{c.Mean[k], c.Var[k], values[:i+1]}, {c.Beside[k], c.Apart[k], beside[:i+1]}} {
			mean, variance := moments(x.of)
			near(t, "mean", float64(x.mean), mean, 1e-5)
			near(t, "variance", float64(x.variance), variance, 1e-5)
		}
	}
	mean, variance := float64(c.Mean[k]), float64(c.Var[k])
	c.learn(k, mean+4, 1)
	near(t, "mean of a ninth day", float64(c.Mean[k]), mean+4/8., 1e-5)
	near(t, "variance of a ninth day", float64(c.Var[k]), variance*7/8+16*7/64., 1e-5)
	if c.Days[k] != courseDays || c.Days[k+1] != 0 {
		t.Errorf("days: %v", c.Days)
	}
}

// The evidence is the logarithm of how much likelier what is seen is without the event
// than with it (Bayes): by densities that are written out here.
func TestUsualCourse_MissingIsALikelihoodRatio(t *testing.T) {
	density := func(x, v float64) float64 { return math.Exp(-x*x/(2*v)) / math.Sqrt(2*math.Pi*v) }
	s := courseScale{noise: 0.4, beside: 0.3, habit: 0.2, bare: 0.15, tail: 0.5}
	var c usualCourse
	for _, x := range []float64{2, 2.6, 2.2} {
		c.learn(0, x, x/2)
	}
	n, mean, spread, near0 := 3.0, float64(c.Mean[0]), float64(c.Var[0]), float64(c.Beside[0])
	for _, x := range []struct{ value, beside float64 }{{0, 1.1}, {2.3, 1.1}, {1, 0}, {1.4, 3}, {-0.5, 1}, {3.5, 1.1}} {
		odd := s.beside * (x.beside - near0)
		v := (2*s.noise*s.noise+n*spread)/(2+n) + odd*odd // two days' worth is believed before
		bare := v + s.habit*s.habit*near0*near0 + s.bare*s.bare
		want := math.Log(density(x.value, bare) / (density(x.value-mean, v) + density(x.value-mean, v+s.tail*s.tail)/30))
		near(t, "evidence", c.missing(0, x.value, x.beside, s), want, 1e-5)
	}
	if c.missing(0, 0, 1.1, s) < 2 || c.missing(0, 2.3, 1.1, s) > -1 {
		t.Errorf("it did not move: %.2f; as usual: %.2f", c.missing(0, 0, 1.1, s), c.missing(0, 2.3, 1.1, s))
	}
	// What goes far the other way is neither.
	bare := (2*s.noise*s.noise+n*spread)/(2+n) + s.habit*s.habit*near0*near0 + s.bare*s.bare
	edge := courseWild * math.Sqrt(bare)
	if far := c.missing(0, -edge-0.01, near0, s); far != 0 {
		t.Errorf("beyond three deviations the other way: %.2f", far)
	}
	if less, up := c.missing(0, -edge+0.01, near0, s), c.missing(0, edge+0.01, near0, s); less == 0 || up == 0 {
		t.Errorf("less far, or the usual way: %.2f and %.2f", less, up)
	}
	if c.missing(1, 0, 0, s) != 0 {
		t.Error("evidence of what is not known")
	}
}

// What an enclosure usually makes of a mist is a mean of eight, and what the air gains by
// it one of sixteen.
func TestMistUsual(t *testing.T) {
	var u mistUsual
	for i, share := range []float64{0.6, 0.8, 0.7} {
		u.learn(share, 90+float64(i))
		u.Gain.learn(share, 90+float64(i))
	}
	near(t, "share", float64(u.Filled), 0.7, 1e-6)
	near(t, "variance", float64(u.Var), 0.02/3, 1e-6)
	near(t, "peak", float64(u.Peak), 91, 1e-5)
	near(t, "gain", float64(u.Gain.Share), 0.7, 1e-6)
	near(t, "its variance", float64(u.Gain.Var), 0.02/3, 1e-6)
	near(t, "after it", float64(u.Gain.Top), 91, 1e-5)
	for range 100 {
		u.learn(0.9, 99)
		u.Gain.learn(0.9, 99)
	}
	u.learn(0.1, 99)
	u.Gain.learn(0.1, 99)
	near(t, "an eighth of the last", float64(u.Filled), 0.8, 1e-4)
	near(t, "a sixteenth", float64(u.Gain.Share), 0.85, 1e-3)
}

// A rise is one above the mean of three to ten minutes ago and clear of all of the last
// quarter of an hour, with water in it: at each limit it counts.
func TestMist_RisesAtItsLimits(t *testing.T) {
	const now = time.Hour
	mark := func(age time.Duration, rh, grams float64) mistMinute {
		return mistMinute{At: now - age, RH: rh, Grams: grams}
	}
	one := func(age time.Duration) []mistMinute { return []mistMinute{mark(age, 80, 18)} }
	for _, c := range []struct {
		name      string
		before    []mistMinute
		rh, grams float64
		want      bool
	}{
		{"five points", one(5 * time.Minute), 85, 20, true},
		{"less", one(5 * time.Minute), 84.9, 20, false},
		{"three minutes ago", one(3 * time.Minute), 85, 20, true},
		{"too fresh", one(3*time.Minute - 1), 85, 20, false},
		{"ten minutes ago", one(10 * time.Minute), 85, 20, true},
		{"too long ago", one(10*time.Minute + 1), 85, 20, false},
		{"wetter a quarter of an hour ago", append(one(5*time.Minute), mark(15*time.Minute, 90, 19)), 86, 20, false},
		{"that was before", append(one(5*time.Minute), mark(15*time.Minute+1, 90, 19)), 86, 20, true},
		{"clear of it by half a step", append(one(5*time.Minute), mark(12*time.Minute, 82.5, 18)), 85, 20, true},
		{"not clear of it", append(one(5*time.Minute), mark(12*time.Minute, 82.6, 18)), 85, 20, false},
		{"the mean of two", []mistMinute{mark(4*time.Minute, 78, 17), mark(6*time.Minute, 82, 19)}, 85, 20, true},
		{"its water: 40 % of the step", []mistMinute{mark(5*time.Minute, 40, 12)}, 50, 12.5, true},
		{"it only cooled", []mistMinute{mark(5*time.Minute, 40, 12.01)}, 50, 12.5, false},
		{"nothing before", nil, 85, 20, false},
	} {
		var d MistDetector
		for _, m := range c.before {
			d.Ring[d.Head], d.Head, d.Filled = m, d.Head+1, d.Filled+1
		}
		if got, _ := d.rises(mistMinute{At: now, RH: c.rh, Grams: c.grams}); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// Less room to saturation asks for less, noise for more: a minute's mean strays by
	// the mean step of two over 2/√π (order statistics of two normal values).
	var d MistDetector
	near(t, "rise above 60 %", d.rise(60), 5, 1e-9)
	near(t, "rise above 90 %", d.rise(90), 3.5, 1e-9)
	near(t, "rise above 98 %", d.rise(98), 1.5, 1e-9)
	d.Stirs = 3
	near(t, "rise in noise", d.rise(90), 3*3/(2/math.SqrtPi), 0.02)
}

// A pulse goes up, is past its peak after five minutes or a point below it, and is over
// six hours after that, or when the next begins.
func TestMist_PulseAtItsLimits(t *testing.T) {
	const now = time.Hour
	rising := func(peak float64, peakAt time.Duration) MistDetector {
		return MistDetector{Phase: mistRising, Now: Pulse{Peak: peak, PeakAt: peakAt}, Grams0: 15}
	}
	for _, c := range []struct {
		name string
		d    MistDetector
		rh   float64
		want MistEvent
		peak float64
	}{
		{"still up", rising(95, now-time.Minute), 96, NoMist, 96},
		{"a tick is no rise", rising(95, now-time.Minute), 95.1, NoMist, 95},
		{"it settles", rising(95, now-5*time.Minute), 95, MistPeaked, 95},
		{"not yet", rising(95, now-5*time.Minute+1), 95, NoMist, 95},
		{"a point lower", rising(95, now-time.Minute), 94, NoMist, 95},
		{"more than that", rising(95, now-time.Minute), 93.9, MistPeaked, 95},
	} {
		if got := c.d.step(mistMinute{At: now, RH: c.rh, Grams: 20, Temp: 24}); got != c.want || c.d.Now.Peak != c.peak {
			t.Errorf("%s: %v, peak %v", c.name, got, c.d.Now.Peak)
		}
		near(t, c.name+": rise in g/m³", c.d.Now.Rise, 5, 1e-9)
	}
	drying := func(peakAt time.Duration) *MistDetector {
		return &MistDetector{Phase: mistDrying, Now: Pulse{Peak: 95, PeakAt: peakAt, Before: 70}, Lowest: 80}
	}
	if got := drying(now - mistLongest).step(mistMinute{At: now, RH: 80, Grams: 17, Temp: 24}); got != MistEnded {
		t.Errorf("six hours on: %v", got)
	}
	if got := drying(now - mistLongest + 1).step(mistMinute{At: now, RH: 80, Grams: 17, Temp: 24}); got != NoMist {
		t.Errorf("nearly six hours on: %v", got)
	}
	for _, c := range []struct {
		name   string
		lowest float64
		rh     float64
		want   MistEvent
	}{
		{"the next one", 80, 90, MistEnded},
		{"above its lowest by just a step", 85, 90, MistEnded},
		{"less", 85.1, 90, NoMist},
		{"it had not dried by more than noise", 93.5, 99, NoMist},
	} {
		d := drying(now - 30*time.Minute)
		d.Lowest, d.Ring[0], d.Head, d.Filled = c.lowest, mistMinute{At: now - 5*time.Minute, RH: 80, Grams: 15}, 1, 1
		if got := d.step(mistMinute{At: now, RH: c.rh, Grams: 20, Temp: 24}); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// It began in the first minute that was a quarter of the way up.
	var d MistDetector
	for i, rh := range []float64{80, 80, 83, 86} {
		d.Ring[i] = mistMinute{At: now - time.Duration(4-i)*time.Minute, RH: rh, Grams: 15}
	}
	d.Head, d.Filled = 4, 4
	d.begin(mistMinute{At: now, RH: 92, Grams: 19}, mistMinute{RH: 80, Grams: 15})
	if p := d.Now; p.Start != now-2*time.Minute || p.Rise != 4 || p.Before != 80 || p.Peak != 92 || p.Clipped || p.Wet != time.Minute {
		t.Errorf("%+v", p)
	}
	d.begin(mistMinute{At: now, RH: 98, Grams: 19}, mistMinute{RH: 95, Grams: 18})
	if !d.Now.Clipped {
		t.Error("a pulse above 95 % says how much came")
	}
	// Wet is from 90 % on.
	d.Now.Wet = 0
	d.wet(mistMinute{At: now, RH: 90})
	d.wet(mistMinute{At: now, RH: 89.9})
	if d.Now.Wet != time.Minute {
		t.Errorf("wet for %v", d.Now.Wet)
	}
}

// A minute's mean is taken when the minute is over, and stirs by what it differs from the
// last.
func TestMist_Minutes(t *testing.T) {
	var d MistDetector
	for i := range 13 {
		d.Observe(time.Duration(i)*10*time.Second, 24, 80+float64(i/6))
	}
	if d.Filled != 2 || d.Ring[0].RH != 80 || d.Ring[1].RH != 81 || d.Ring[1].Temp != 24 {
		t.Errorf("%d minutes: %+v", d.Filled, d.Ring[:2])
	}
	if d.Ring[1].At != 85*time.Second {
		t.Errorf("the second minute is at %v", d.Ring[1].At)
	}
	near(t, "stirs", d.Stirs, 1/128., 1e-12)
	water := value(t, "water")(AbsoluteHumidity(24, 80))
	near(t, "water", d.Ring[0].Grams, water, 1e-9)
	// Readings a minute apart, ten seconds early, are each a mean of their own.
	for _, c := range []struct {
		every time.Duration
		want  int
	}{{50 * time.Second, 1}, {49 * time.Second, 0}} {
		d = MistDetector{}
		d.Observe(time.Hour, 24, 80)
		filled := d.Filled
		d.Observe(time.Hour+c.every, 24, 80)
		if d.Filled-filled != c.want {
			t.Errorf("readings every %v: %d means of the second", c.every, d.Filled-filled)
		}
	}
	// What was before a quarter of an hour without readings is no level.
	for _, c := range []struct {
		gap  time.Duration
		want int
	}{{mistGap, 3}, {mistGap + 1, 1}} {
		d = MistDetector{}
		d.Observe(time.Hour, 24, 80)
		d.Observe(time.Hour+time.Minute, 24, 80)
		d.Observe(time.Hour+time.Minute+c.gap, 24, 80)
		if d.Filled != c.want {
			t.Errorf("after %v: %d means are kept", c.gap, d.Filled)
		}
	}
}
