package climate

import (
	"math"
	"testing"
	"time"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// limits are a reference of 120 min at 32 °C, counted from 28 °C, tenfold per
// 3 °C (Jørgensen et al. 2022, Nature 611:93: a median activation energy of
// 6.13 eV is a factor of 10 per 3.0 °C near 32 °C).
var limits = DoseLimits{Boundary: 28, ReferenceTemp: 32, ReferenceTime: 2 * time.Hour, TenfoldPer: 3}

// expose steps d through a temperature curve, one reading each step.
func expose(d *Dose, l DoseLimits, from, to, step time.Duration, curve func(h float64) float64) {
	for at := from; at <= to; at += step {
		d.Observe(l, at, curve((at - from).Hours()))
	}
}

// Worked example of the project: 60 min at 30 °C, 30 at 32 and 10 at 34 are
// 89.34 min at 32 °C, 0.7445 of 120 min (10^(−2/3)·60 + 30 + 10^(2/3)·10).
func TestDoseOfThreeLevels(t *testing.T) {
	var d Dose
	at := time.Duration(0)
	for _, leg := range []struct {
		c       float64
		minutes int
	}{{30, 60}, {32, 30}, {34, 10}} {
		// A step of temperature takes no time: start anew, keep the sum.
		d.Started = false
		for m := 0; m <= leg.minutes; m += 10 {
			d.Observe(limits, at+time.Duration(m)*time.Minute, leg.c)
		}
		at += time.Duration(leg.minutes) * time.Minute
	}
	near(t, "equivalent minutes", d.Minutes, 89.34, 0.01)
	near(t, "fraction", d.Fraction(limits), 0.7445, 1e-4)
}

// A triangle 28–32–28 °C in 4 h has 2.0 °C h above 30 °C; readings that do not
// hit the crossings must not change that.
func TestDegreeHoursOfATriangle(t *testing.T) {
	l := limits
	l.Boundary = 30
	triangle := func(h float64) float64 { return 32 - 2*math.Abs(h-2) }
	for _, step := range []time.Duration{10 * time.Second, 7 * time.Minute, 12 * time.Minute} {
		var d Dose
		d.Observe(l, 0, 28)
		for at := step; at < 4*time.Hour; at += step {
			d.Observe(l, at, triangle(at.Hours()))
			if half := 2 * time.Hour; at < half && at+step > half {
				d.Observe(l, half, 32) // the only corner that a straight line would cut
			}
		}
		near(t, "degree hours in steps of "+step.String(), d.DegreeHours, 2.0, 0.01)
	}
}

// The integral over a straight line has a closed form; whatever the steps, the
// sum must be the same.
func TestDoseOfARampIsExact(t *testing.T) {
	ramp := func(h float64) float64 { return 26 + 4*h }
	l := limits
	want := 60 / 4.0 * l.TenfoldPer / math.Ln10 * (l.weight(34) - l.weight(28))
	for _, step := range []time.Duration{10 * time.Second, 3 * time.Minute, 15 * time.Minute} {
		var d Dose
		expose(&d, l, 0, 2*time.Hour, step, ramp)
		near(t, "minutes in steps of "+step.String(), d.Minutes, want, 1e-6*want)
	}
}

func TestDoseDoesNotBridgeGaps(t *testing.T) {
	var d Dose
	d.Observe(limits, 0, 32)
	d.Observe(limits, 15*time.Minute, 32)
	near(t, "15 min are bridged", d.Minutes, 15, 1e-9)
	d.Observe(limits, 32*time.Minute, 32)
	near(t, "17 min are not", d.Minutes, 15, 1e-9)
	if d.Unknown != 17*time.Minute {
		t.Errorf("unknown time is %v, want 17m", d.Unknown)
	}
}

func TestDoseHalvesInADayBelow(t *testing.T) {
	var d Dose
	expose(&d, limits, 0, time.Hour, time.Minute, func(float64) float64 { return 32 })
	near(t, "after an hour", d.Minutes, 60, 1e-6)
	d.Started = false
	expose(&d, limits, time.Hour, 25*time.Hour, time.Minute, func(float64) float64 { return 24 })
	near(t, "a day below", d.Minutes, 30, 1e-3)
}

func TestDoseIgnoresWhatCannotBe(t *testing.T) {
	var d Dose
	d.Observe(limits, time.Minute, 33)
	before := d
	d.Observe(limits, 2*time.Minute, math.NaN())
	d.Observe(limits, 0, 40)
	if d != before {
		t.Errorf("NaN or a step back in time changed the dose: %+v", d)
	}
}

// More heat is never less dose, and the boundary itself counts.
func TestDoseGrowsWithHeat(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		base := rapid.SliceOfN(rapid.Float64Range(20, 38), 2, 40).Draw(t, "°C")
		more := rapid.Float64Range(0, 3).Draw(t, "more")
		var cool, warm Dose
		for i, c := range base {
			at := time.Duration(i) * 7 * time.Minute
			cool.Observe(limits, at, c)
			warm.Observe(limits, at, c+more)
		}
		if !finite(warm.Minutes) || warm.Minutes < cool.Minutes-1e-9 {
			t.Fatalf("%v min at %v °C, %v min when %v °C warmer", cool.Minutes, base, warm.Minutes, more)
		}
	})
	var d Dose
	expose(&d, limits, 0, time.Hour, time.Minute, func(float64) float64 { return 28 })
	if !(d.Minutes > 0) {
		t.Error("an hour at exactly the boundary does not count")
	}
}

// Where a line between two readings crosses the boundary, the part above it counts: half
// of ten minutes, half a degree above in the mean.
func TestDose_CrossesTheBoundary(t *testing.T) {
	l := limits
	for _, c := range []struct {
		name     string
		from, to float64
		hours    float64 // °C h
		none     bool
	}{
		{"up", 27, 29, 0.5 / 12, false}, {"down", 29, 27, 0.5 / 12, false}, {"from the boundary down", 28, 27, 0, true},
		{"to the boundary", 27, 28, 0, true}, {"above", 28, 30, 1. / 6, false}, {"below", 26, 27.9, 0, true},
	} {
		var d Dose
		d.Observe(l, 0, c.from)
		d.Observe(l, 10*time.Minute, c.to)
		near(t, c.name+": °C h", d.DegreeHours, c.hours, 1e-9)
		if (d.Minutes == 0) != c.none {
			t.Errorf("%s: %v min", c.name, d.Minutes)
		}
	}
	// A gap of a quarter of an hour is bridged, one of more is not known, where it was hot.
	for _, c := range []struct {
		gap      time.Duration
		from, to float64
		want     time.Duration
	}{{doseGap, 29, 29, 0}, {doseGap + 1, 29, 27, doseGap + 1}, {doseGap + 1, 27, 29, doseGap + 1}, {doseGap + 1, 28, 27, doseGap + 1}, {doseGap + 1, 27, 28, doseGap + 1}, {doseGap + 1, 27, 27.9, 0}} {
		var d Dose
		d.Observe(l, 0, c.from)
		if d.Observe(l, c.gap, c.to); d.Unknown != c.want {
			t.Errorf("%+v: %v are not known", c, d.Unknown)
		}
	}
}

// A probe that fails hot and is believed for ten minutes has told what an enclosure would
// have got in ten minutes of the worst heat, which is over within a week.
func TestDose_OfAProbeThatFails(t *testing.T) {
	var d Dose
	expose(&d, limits, 0, 10*time.Minute, time.Minute, func(float64) float64 { return 125 })
	if f := d.Fraction(limits); f < 1 || f > 10.01 {
		t.Errorf("ten minutes are %v of the reference", f)
	}
	expose(&d, limits, 11*time.Minute, 7*24*time.Hour, 10*time.Minute, func(float64) float64 { return 24 })
	if f := d.Fraction(limits); f > 0.5 {
		t.Errorf("a week later %v of the reference are left", f)
	}
}
