package climate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// A level that is read in steps of 0.5 °C or through 0.3 °C of noise neither rises nor
// falls, and its slope does not claim so; one of 4 °C/h is seen all the same.
func TestTrend_NoSurerThanItsReadings(t *testing.T) {
	for _, c := range []struct {
		name          string
		noise, step   float64
		every         time.Duration
		perHour, most float64 // most: share of looks that say it rises
		least         float64
	}{
		{"coarse", 0.1, 0.5, time.Minute, 0, 0.05, 0},
		{"noisy", 0.3, 0.01, time.Minute, 0, 0.05, 0},
		{"coarse and slow", 0.2, 0.5, 5 * time.Minute, 0, 0.05, 0},
		{"coarse, and it rises", 0.1, 0.5, time.Minute, 4, 1, 0.9},
		{"noisy, and it rises", 0.3, 0.01, time.Minute, 4, 1, 0.9},
	} {
		rng := rand.New(rand.NewPCG(1, 2))
		var tr Trend
		rises, steep, looks := 0, 0, 0
		for at := time.Duration(0); at < 20*time.Hour; at += c.every {
			v := 27.72 + c.perHour*at.Hours() + c.noise*rng.NormFloat64()
			tr.Observe(at, math.Round(v/c.step)*c.step)
			s, ok := tr.Slope()
			if !ok || at < 2*time.Hour {
				continue
			}
			looks++
			if s.Rises(0.3) {
				rises++
			}
			if _, ok := tr.Steep(); ok {
				steep++
			}
		}
		if share := float64(rises) / float64(looks); share > c.most || share < c.least {
			t.Errorf("%s: %.0f %% of %d looks say that it rises", c.name, 100*share, looks)
		}
		if c.perHour == 0 && steep > 0 {
			t.Errorf("%s: steep %d times", c.name, steep)
		}
	}
}

// A probe that is polled each five minutes shows a rise of 17 °C/h in three readings; a
// leap is none.
func TestTrend_SteepAtSlowPolls(t *testing.T) {
	var rise, leap Trend
	for i := range 12 {
		at := time.Duration(i) * 5 * time.Minute
		rise.Observe(at, 24)
		leap.Observe(at, 24)
	}
	for i := range 2 {
		at := time.Duration(12+i) * 5 * time.Minute
		rise.Observe(at, 24+1.4*float64(i+1))
		leap.Observe(at, 28)
		if _, ok := leap.Steep(); ok {
			t.Error("a leap is steep")
		}
	}
	if perHour, ok := rise.Steep(); !ok || math.Abs(perHour-16.8) > 0.1 {
		t.Errorf("%v %v", perHour, ok)
	}
}

// Whatever a probe with slow polls shows, what is not explained stays within what it
// showed: a covariance that is none lets it run away.
func TestDisturbance_StaysWithinWhatIsSeen(t *testing.T) {
	for _, fastTau := range []float64{0.1, 0.4, 1} {
		rng := rand.New(rand.NewPCG(3, 4))
		var d disturbance
		d.start(0, 1)
		const dt = 5.0 / 60
		for i := range 2000 {
			rest := 0.3*math.Sin(float64(i)/2) + 0.1*rng.NormFloat64()
			d.Count = 1
			d.step(rest, -math.Expm1(-dt/fastTau), -math.Expm1(-dt/6), 0.3, dt)
			if p := &d.P; p[4]*p[4] > 1.0001*p[0]*p[2] || p[5]*p[5] > 1.0001*p[1]*p[2] {
				t.Fatalf("%v h, step %d: no covariance: %v", fastTau, i, p)
			}
			if math.Abs(d.Fast) > 4 || math.Abs(d.Slow) > 4 {
				t.Fatalf("%v h, step %d: fast %.1f slow %.1f of rests within 0.7 °C", fastTau, i, d.Fast, d.Slow)
			}
		}
	}
}

// Noise of single readings is not steep: a bin of one strays by all of it.
func TestTrend_NoiseIsNotSteep(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	var tr Trend
	steep := 0
	for at := time.Duration(0); at < 28*24*time.Hour; at += 2 * time.Minute {
		tr.Observe(at, 27+0.3*rng.NormFloat64())
		if _, ok := tr.Steep(); ok {
			steep++
		}
	}
	if steep > 1 {
		t.Errorf("%d times in four weeks", steep)
	}
}
