package climate

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

func TestTrendOfALine(t *testing.T) {
	for _, step := range []time.Duration{10 * time.Second, time.Minute, 5 * time.Minute} {
		var tr Trend
		for at := time.Duration(0); at <= time.Hour; at += step {
			tr.Observe(at, 25+3*at.Hours())
		}
		s, ok := tr.Slope()
		if !ok {
			t.Fatalf("no slope in steps of %v", step)
		}
		near(t, "slope in steps of "+step.String(), s.PerHour, 3, 1e-6)
		if s.Span < 14*time.Minute || s.Span > 31*time.Minute {
			t.Errorf("span %v, want 15 to 30 min", s.Span)
		}
		c, ok := tr.Change()
		if !ok {
			t.Fatalf("no change in steps of %v", step)
		}
		if c < 1.2 || c > 1.8 {
			t.Errorf("change over half an hour in steps of %v is %.2f °C, want about 1.5", step, c)
		}
	}
}

// Between readings a trend goes on, but not for longer than it waits for one.
func TestTrend_Now(t *testing.T) {
	var tr Trend
	if v, ok := tr.Now(0); ok {
		t.Errorf("%g without a reading", v)
	}
	const perHour = 6.0
	last := time.Duration(0)
	for ; last < 40*time.Minute; last += 30 * time.Second {
		tr.Observe(last, 25+perHour*last.Hours())
	}
	for _, after := range []time.Duration{0, 2 * time.Minute} {
		v, ok := tr.Now(last + after)
		if !ok {
			t.Fatalf("nothing %v after the last reading", after)
		}
		near(t, "value "+after.String()+" after the last reading", v, 25+perHour*(last+after).Hours(), perHour*trendBin.Hours())
	}
	soon, _ := tr.Now(last + trendGap)
	if late, _ := tr.Now(last + 10*trendGap); late > soon+perHour*trendBin.Hours() {
		t.Errorf("%g °C a long time after the last reading, %g when the next is late", late, soon)
	}
}

// A slope is the same for who asks at once and for who asks later.
func TestTrendWhenAsked(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var often, rare Trend
	for at := time.Duration(0); at <= 40*time.Minute+50*time.Second; at += 10 * time.Second {
		v := 25 + 0.3*rng.NormFloat64()
		often.Observe(at, v)
		rare.Observe(at, v)
		often.Slope()
	}
	want, ok := often.Slope()
	if got, known := rare.Slope(); !ok || !known || got != want {
		t.Errorf("%+v, asked later %+v", want, got)
	}
}

func TestTrendNeedsAQuarterOfAnHour(t *testing.T) {
	var tr Trend
	for at := time.Duration(0); at <= 14*time.Minute; at += 10 * time.Second {
		tr.Observe(at, 25)
	}
	if s, ok := tr.Slope(); ok {
		t.Errorf("14 minutes give %+v", s)
	}
	for at := 14 * time.Minute; at <= 19*time.Minute; at += 10 * time.Second {
		tr.Observe(at, 25)
	}
	if _, ok := tr.Slope(); !ok {
		t.Error("19 minutes give nothing")
	}
	tr.Observe(40*time.Minute, 25)
	if s, ok := tr.Slope(); ok {
		t.Errorf("a slope is bridged over a gap of 21 minutes: %+v", s)
	}
}

// The stated sigma must be honest: with noise the true slope lies within two
// of it in about 95 % of cases, and it is not stated much too wide either.
func TestTrendSigma(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	inside, n, z2 := 0, 2000, 0.0
	for range n {
		var tr Trend
		for at := time.Duration(0); at <= 31*time.Minute; at += 10 * time.Second {
			tr.Observe(at, 25+2*at.Hours()+0.2*rng.NormFloat64())
		}
		s, _ := tr.Slope()
		z := (s.PerHour - 2) / s.Sigma
		z2 += z * z
		if math.Abs(z) < 2 {
			inside++
		}
	}
	share := float64(inside) / float64(n)
	if share < 0.93 || z2/float64(n) < 0.2 {
		t.Errorf("%.1f %% within two sigma, mean square %.2f", 100*share, z2/float64(n))
	}
}

func TestTrendShrugsOffWildReadings(t *testing.T) {
	var tr Trend
	for i, at := 0, time.Duration(0); at <= 31*time.Minute; i, at = i+1, at+10*time.Second {
		c := 25 + 1*at.Hours()
		if i%60 == 30 {
			c = 85 // one in ten minutes
		}
		tr.Observe(at, c)
	}
	s, ok := tr.Slope()
	if !ok || math.Abs(s.PerHour-1) > 0.3 {
		t.Errorf("slope with three readings of 85 °C: %+v, want 1 °C/h", s)
	}
}

// At an onset the newer half is believed: level for an hour, then 6 °C/h.
func TestTrendSeesAnOnset(t *testing.T) {
	var tr Trend
	for at := time.Duration(0); at <= 80*time.Minute; at += 10 * time.Second {
		c := 25.0
		if at > time.Hour {
			c += 6 * (at - time.Hour).Hours()
		}
		tr.Observe(at, c)
	}
	s, _ := tr.Slope()
	near(t, "slope 20 min after the onset", s.PerHour, 6, 0.5)
}

func TestTrendStaysFinite(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		var tr Trend
		at := time.Duration(0)
		for range rapid.IntRange(1, 200).Draw(t, "n") {
			at += time.Duration(rapid.IntRange(-5, 400).Draw(t, "s")) * time.Second
			tr.Observe(at, rapid.OneOf(rapid.Float64Range(-40, 85), rapid.Just(math.NaN()), rapid.Just(math.Inf(1))).Draw(t, "°C"))
			if s, ok := tr.Slope(); ok && !(finite(s.PerHour) && finite(s.Value) && s.Sigma > 0) {
				t.Fatalf("slope %+v", s)
			}
		}
	})
}

func TestMedianAndSpread(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		xs := rapid.SliceOfN(rapid.Float64Range(-50, 50), 1, 60).Draw(t, "xs")
		below, above := 0, 0
		m := median(append([]float64(nil), xs...))
		for _, x := range xs {
			if x < m {
				below++
			}
			if x > m {
				above++
			}
		}
		if 2*below > len(xs) || 2*above > len(xs) {
			t.Fatalf("median of %v is %v: %d below, %d above", xs, m, below, above)
		}
	})
	if median(nil) != 0 {
		t.Error("median of nothing is not 0")
	}
	near(t, "spread", spread([]float64{1, 2, 3, 4, 100}, 3), 1.4826, 1e-9)
}

// A steep rise is seen within ten minutes, long before a slope is known; noise, steps
// of half a degree and lamps are none.
func TestSteep(t *testing.T) {
	for name, c := range map[string]struct {
		at   func(minutes float64) float64
		want bool
	}{
		"30 °C/h":          {func(m float64) float64 { return 25 + m/2 }, true},
		"8 °C/h":           {func(m float64) float64 { return 25 + m*8/60 }, true},
		"noise":            {func(m float64) float64 { return 25 + 0.05*math.Sin(m*9) }, false},
		"one step of half": {func(m float64) float64 { return 25 + 0.5*math.Floor(m/5) }, false},
		"lamps":            {func(m float64) float64 { return 27.5 - 2.5*math.Exp(-m/35) }, false},
		"one leap":         {func(m float64) float64 { return 25 + 3*math.Floor(min(m, 3)/3) }, false},
	} {
		var tr Trend
		for s := 0; s <= 9*60; s += 10 {
			tr.Observe(time.Duration(s)*time.Second, c.at(float64(s)/60))
		}
		if rate, got := tr.Steep(); got != c.want {
			t.Errorf("%s: %.1f °C/h, %v", name, rate, got)
		}
	}
}

// Whoever asks first whether a trend may be so steep misses none that is, and is spared
// nearly all others.
func TestMayBeSteep(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var reached, spared int
	for range 300 {
		var tr Trend
		m := NewThermal(60)
		rate, noise, every := 12*rng.NormFloat64(), 0.2*rng.Float64(), time.Duration(10+rng.IntN(120))*time.Second
		if rng.IntN(2) == 0 {
			rate, noise = rate/10, noise/10
		}
		for at := time.Duration(0); at < 2*time.Hour; at += every {
			v := 20 + rate*at.Hours() + noise*rng.NormFloat64()
			tr.Observe(at, v)
			m.Observe(ThermalReading{At: at, Air: v, Hour: -1})
			s, _ := tr.Slope()
			long, _ := m.Lately(&tr)
			_, steep := tr.Steep()
			if may := tr.MayBeSteep(); !may && (s.PerHour >= trendSteep || steep) {
				t.Fatalf("%+v, steep %v, and it may not be", s, steep)
			} else if may {
				reached++
			} else {
				spared++
			}
			if long.PerHour >= trendSteep && !m.MayBeSteep() {
				t.Fatalf("%+v of late, and it may not be", long)
			}
		}
	}
	if reached < 1000 || spared < 10_000 {
		t.Errorf("%d reached it and %d were spared: the test saw too little", reached, spared)
	}
}

// All the limits of a trend, to the second.
func TestTrend_AtItsLimits(t *testing.T) {
	line := func(bins int, every time.Duration, perHour float64) *Trend {
		tr := &Trend{}
		for i := range bins {
			at := time.Duration(i) * every
			tr.Times[i], tr.Values[i] = at, 25+perHour*at.Hours()
		}
		tr.Head, tr.Filled = bins%trendBins, bins
		return tr
	}
	for _, c := range []struct {
		name  string
		bins  int
		every time.Duration
		want  bool
	}{
		{"14 min between the first and the last", 8, 2 * time.Minute, true},
		{"less", 8, 2*time.Minute - 1, false},
		{"four", 4, 5 * time.Minute, true},
		{"three", 3, 10 * time.Minute, false},
	} {
		if _, ok := line(c.bins, c.every, 1).Slope(); ok != c.want {
			t.Errorf("%s: %v", c.name, ok)
		}
	}
	for _, c := range []struct {
		name    string
		every   time.Duration
		perHour float64
		want    bool
	}{
		{"6 °C/h", time.Hour / 8, 6, true}, {"less", time.Hour / 8, 5.99, false},
		{"a quarter of an hour apart, and late", LongestGap, 8, true}, {"more", LongestGap + 1, 8, false},
	} {
		if rate, ok := line(4, c.every, c.perHour).Steep(); ok != c.want || c.want && math.Abs(rate-c.perHour) > 1e-9 {
			t.Errorf("%s: %v, %v", c.name, rate, ok)
		}
	}
	for _, c := range []struct {
		age  time.Duration // of the first of three
		want bool
	}{{25 * time.Minute, true}, {25*time.Minute - 1, false}, {35 * time.Minute, true}, {35*time.Minute + 1, false}} {
		tr := &Trend{Head: 3, Filled: 3}
		tr.Times = [trendBins]time.Duration{0, c.age - 20*time.Minute, c.age}
		tr.Values = [trendBins]float64{20, 21, 23}
		if by, ok := tr.Change(); ok != c.want || ok && by != 3 {
			t.Errorf("over %v: %v, %v", c.age, by, ok)
		}
	}
	for gap, want := range map[time.Duration]int{trendGap: 2, trendGap + 1: 1} {
		var tr Trend
		tr.Observe(time.Hour, 25)
		tr.Observe(time.Hour+gap, 25)
		if got := tr.Filled + tr.Count; got != want {
			t.Errorf("after %v: %d readings", gap, got)
		}
	}
	var tr Trend
	for _, s := range []int{0, 60, 119, 120} {
		tr.Observe(time.Hour+time.Duration(s)*time.Second, float64(s))
	}
	if tr.Filled != 1 || tr.Values[0] != 179/3. || tr.Times[0] != time.Hour+179*time.Second/3 {
		t.Errorf("two minutes: %+v", tr)
	}
}

// Sen's slope is the median of the slopes of all pairs (J. Am. Stat. Assoc. 63, 1968,
// 1379); its uncertainty here is 1.8 times that of a straight line by least squares, with
// the scatter taken as 1.4826 median absolute deviations.
func TestTheilSen(t *testing.T) {
	xs, ys := []float64{-0.4, -0.3, -0.2, -0.1, 0}, []float64{1, 1.5, 1.4, 2.2, 2.1}
	var slopes []float64
	for i := range xs {
		for j := i + 1; j < len(xs); j++ {
			slopes = append(slopes, (ys[j]-ys[i])/(xs[j]-xs[i]))
		}
	}
	slices.Sort(slopes)
	rate := (slopes[4] + slopes[5]) / 2
	var rests, apart []float64
	for i := range xs {
		rests = append(rests, ys[i]-rate*xs[i])
	}
	slices.Sort(rests)
	for _, r := range rests {
		apart = append(apart, math.Abs(r-rests[2]))
	}
	slices.Sort(apart)
	s := theilSen(xs, ys, 0)
	near(t, "slope", s.PerHour, rate, 1e-9)
	near(t, "value now", s.Value, rests[2], 1e-9)
	near(t, "sigma", s.Sigma, 1.8*1.4826*apart[2]/math.Sqrt(0.1), 1e-9)
	if s.Span != 24*time.Minute {
		t.Errorf("span %v", s.Span)
	}
}

// A rise toward a balance shows where it ends; a straight one, one that grows steeper and
// one under noise or coarse figures show no end.
func TestTrend_Bend(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for _, c := range []struct {
		name      string
		course    func(h float64) float64
		noise     float64
		step      float64
		more, tau float64
	}{
		{"toward a balance", func(h float64) float64 { return 30 - 4*math.Exp(-h/0.4) }, 0, 0.01, 4 * math.Exp(-0.6/0.4), 0.4},
		{"slowly", func(h float64) float64 { return 30 - 8*math.Exp(-h) }, 0, 0.01, 8 * math.Exp(-0.6), 1},
		{"straight", func(h float64) float64 { return 20 + 8*h }, 0.02, 0.01, 0, 0},
		{"steeper", func(h float64) float64 { return 20 + 8*h*h }, 0, 0.01, 0, 0},
		{"noise", func(h float64) float64 { return 20 + h }, 0.3, 0.01, 0, 0},
		{"halves", func(h float64) float64 { return 20 + 2*h }, 0, 0.5, 0, 0},
		{"falls", func(h float64) float64 { return 30 - h }, 0, 0.01, 0, 0},
	} {
		var tr Trend
		for at := time.Duration(0); at <= 36*time.Minute; at += time.Minute {
			v := c.course(at.Hours()) + c.noise*rng.NormFloat64()
			tr.Observe(at, math.Round(v/c.step)*c.step)
		}
		b, _ := tr.bend()
		if math.Abs(b.More-c.more) > 0.25*c.more || math.Abs(b.Tau-c.tau) > 0.25*c.tau {
			t.Errorf("%s: %+v, want %.2f °C with %.2f h", c.name, b, c.more, c.tau)
		}
	}
	b := Bend{More: 3, Least: 2, Tau: 1}
	if b.Reaches(3) || !b.Reaches(2.9) || !(Bend{}).Reaches(9) || b.Takes(2) != Horizon || (Bend{}).Takes(1) != 0 {
		t.Error("it goes as far as there is more to come")
	}
	if got := b.Takes(2 * (1 - math.Exp(-1))); (got - time.Hour).Abs() > time.Second {
		t.Errorf("%v, want an hour", got)
	}
}

// A source of an hour's time constant behind readings that stray by 0.3 °C slows down by
// less than half an hour shows; an hour and more shows it, and a straight rise never.
func TestThermal_BendOfHours(t *testing.T) {
	for _, c := range []struct {
		name   string
		course func(h float64) float64
		slows  bool
	}{
		{"toward a balance", func(h float64) float64 { return 30 - 8*math.Exp(-h) }, true},
		{"straight", func(h float64) float64 { return 22 + 4*h }, false},
		{"slower for an hour, then a fire", func(h float64) float64 { return 24 - 2*math.Exp(-h) + 20*max(0, h-1.4) }, false},
	} {
		found := 0
		for seed := range uint64(40) {
			rng, m, tr := rand.New(rand.NewPCG(seed, 5)), NewThermal(90), Trend{}
			for at := time.Duration(0); at <= 395*time.Minute; at += time.Minute {
				v := c.course(max(0, at.Hours()-5)) + 0.3*rng.NormFloat64()
				m.Observe(ThermalReading{At: at, Air: v, Hour: -1})
				tr.Observe(at, v)
			}
			b := m.Bend(&tr, time.Minute)
			if b.Tau > 0 {
				found++
			}
			if b.Least > b.More || c.slows && b.Tau > 0 && (b.Tau < 0.3 || b.Tau > 3) {
				t.Errorf("%s: %+v", c.name, b)
			}
		}
		if c.slows != (found >= 34) || !c.slows && found > 6 {
			t.Errorf("%s: slows down in %d of 40", c.name, found)
		}
	}
}

// What coarse figures round away is as much in the way as noise.
func TestTrend_Blur(t *testing.T) {
	for _, c := range []struct{ step, noise, least, most float64 }{{0.5, 0, 0.2, 0.2}, {0.01, 0.1, 0.07, 0.14}} {
		var trend Trend
		for i := range 600 {
			v := 24 + float64(i)/120 + c.noise*[]float64{1, -1, 0, 1.5, -1.5}[i%5]
			trend.Observe(time.Duration(i)*time.Minute, math.Round(v/c.step)*c.step)
		}
		if got := trend.Blur(); got < c.least-1e-9 || got > c.most*1.5 {
			t.Errorf("steps of %v, noise of %v: %v", c.step, c.noise, got)
		}
	}
}
