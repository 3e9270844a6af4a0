package climate

import (
	"math"
	"testing"
	"time"
)

// The project's own example: base 70, amplitude 28, time constant 45 min:
// 90.06 % after 15 min, 80.30 after 45, 77.38 after 60, 73.79 after 90,
// half-life 31.19 min.
func TestDryDownExample(t *testing.T) {
	curve := func(m float64) float64 { return 70 + 28*math.Exp(-m/45) }
	for _, c := range []struct{ m, want float64 }{{15, 90.06}, {45, 80.30}, {60, 77.38}, {90, 73.79}} {
		near(t, "curve", curve(c.m), c.want, 0.005)
	}
	var points []DryPoint
	for m := 0.0; m <= 360; m += 5 {
		points = append(points, DryPoint{After: time.Duration(m * float64(time.Minute)), Temp: 24, RH: curve(m)})
	}
	f, ok := fitDryDown(points, math.Inf(1), math.Inf(1))
	if !ok || f.Grams {
		t.Fatalf("no fit in %%: %+v", f)
	}
	near(t, "half-life in minutes", f.HalfLife.Minutes(), 31.19, 0.2)
	near(t, "base", f.Base, 70, 0.1)
	near(t, "amplitude", f.Amplitude, 28, 0.3)
}

// The same water leaving while the air warms by 3 °C must give the same
// half-life; relative humidity alone would not.
func TestDryDownWithMovingTemperature(t *testing.T) {
	var points []DryPoint
	for m := 0.0; m <= 480; m += 5 {
		grams := 14 + 6*math.Exp(-m/60)
		temp := 23 + 3*(1-math.Exp(-m/90))
		rh, err := humidityOfGrams(temp, grams)
		if err != nil {
			t.Fatal(err)
		}
		points = append(points, DryPoint{After: time.Duration(m * float64(time.Minute)), Temp: temp, RH: rh})
	}
	f, ok := fitDryDown(points, math.Inf(1), math.Inf(1))
	if !ok || !f.Grams {
		t.Fatalf("no fit in g/m³: %+v, %v", f, ok)
	}
	near(t, "half-life in minutes", f.HalfLife.Minutes(), 60*math.Ln2, 1)
	near(t, "base in g/m³", f.Base, 14, 0.05)
}

func TestDryDownRefuses(t *testing.T) {
	flat := make([]DryPoint, 40)
	rising := make([]DryPoint, 40)
	for i := range flat {
		after := time.Duration(i) * time.Minute
		flat[i] = DryPoint{after, 24, 90}
		rising[i] = DryPoint{after, 24, 60 + float64(i)/2}
	}
	for name, points := range map[string][]DryPoint{
		"flat": flat, "rising": rising, "too few": flat[:3], "too many": make([]DryPoint, 129), "dry": make([]DryPoint, 20),
	} {
		if f, ok := fitDryDown(points, math.Inf(1), math.Inf(1)); ok {
			t.Errorf("%s: fitted %+v", name, f)
		}
	}
}

// A record of any length keeps its shape in its fixed number of points. One
// that is cut off after 3.6 time constants has not reached its base, and its
// half-life comes out an eighth too short: known, and the same every day.
func TestDryRecordKeepsLongDryDowns(t *testing.T) {
	for hours, tol := range map[float64]float64{1.5: 2.5, 4: 1, 12: 1} {
		var r dryRecord
		for m := 0.0; m < hours*60; m++ {
			r.add(mistMinute{At: time.Duration(m) * time.Minute, RH: 70 + 28*math.Exp(-m/25), Temp: 24})
		}
		f, ok := r.fit(math.Inf(1), math.Inf(1))
		if !ok {
			t.Fatalf("%v h: no fit", hours)
		}
		near(t, "half-life in minutes", f.HalfLife.Minutes(), 25*math.Ln2, tol)
	}
}

func TestDryDownTrend(t *testing.T) {
	var d DryDown
	add := func(n int, from int, minutes float64) {
		for i := range n {
			d.Add(time.Duration(from+i)*12*time.Hour, time.Duration(minutes*float64(time.Minute)))
		}
	}
	add(7, 0, 40)
	if _, _, _, ok := d.Trend(); ok {
		t.Error("a single one before the last six is enough, want five")
	}
	add(13, 7, 40)
	if d.Hint() != DryUsual {
		t.Errorf("level half-lives hint %v", d.Hint())
	}
	add(2, 20, 85)
	if d.Hint() != DrySlower {
		t.Error("twice the half-life does not hint at a blocked vent")
	}
	add(12, 22, 40)
	add(3, 34, 18)
	recent, usual, ratio, ok := d.Trend()
	if !ok || recent != 18*time.Minute || usual != 40*time.Minute || math.Abs(ratio-0.45) > 1e-9 || d.Hint() != DryFaster {
		t.Errorf("recent %v, usual %v, ratio %v, hint %v", recent, usual, ratio, d.Hint())
	}
	// A month later the old ones no longer say what is usual.
	add(6, 100, 18)
	if _, usual, _, ok := d.Trend(); ok {
		t.Errorf("half-lives of a month ago are still usual: %v", usual)
	}
	d.Add(0, 0)
	if d.N != 7+13+2+12+3+6 {
		t.Error("a half-life of zero was counted")
	}
}

// A half-life counts as slower from 1.8 times the usual one on and as faster from 0.55,
// against at least five of the 14 days before, of the same two hours of day.
func TestDryDown_AtItsLimits(t *testing.T) {
	const day = 24 * time.Hour
	hint := func(minutes time.Duration) DryHint {
		var d DryDown
		for i := range 12 {
			half := 100 * time.Minute
			if i >= 9 {
				half = minutes * time.Minute
			}
			d.Add(time.Duration(i)*day, half)
		}
		return d.Hint()
	}
	for minutes, want := range map[time.Duration]DryHint{180: DrySlower, 179: DryUsual, 55: DryFaster, 56: DryUsual} {
		if got := hint(minutes); got != want {
			t.Errorf("%d of 100 min: hint %v", minutes, got)
		}
	}
	usual := func(n int, every, at time.Duration) bool {
		var d DryDown
		for i := range n + dryLook {
			d.Add(time.Duration(i)*every, time.Hour)
		}
		_, ok := d.usual(at)
		return ok
	}
	for _, c := range []struct {
		name      string
		n         int
		every, at time.Duration
		want      bool
	}{
		{"five", 5, day, 5 * day, true}, {"four", 4, day, 5 * day, false},
		{"14 days old", 5, day, 14 * day, true}, {"older", 5, day, 14*day + 1, false},
		{"two hours later in the day", 5, day, 5*day + 2*time.Hour, true}, {"more", 5, day, 5*day + 2*time.Hour + 1, false},
		{"two hours earlier in the day", 5, day, 6*day - 2*time.Hour, true}, {"more", 5, day, 6*day - 2*time.Hour - 1, false},
	} {
		if got := usual(c.n, c.every, c.at); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
	// It asks for three of the last six that can be judged, and tells the middle one.
	var d DryDown
	for i := range 11 {
		d.Add(time.Duration(i)*day, time.Hour)
	}
	for _, minutes := range []time.Duration{90, 30, 60} {
		d.Add(time.Duration(d.N)*day, minutes*time.Minute)
	}
	if recent, usual, ratio, ok := d.Trend(); !ok || recent != time.Hour || usual != time.Hour || ratio != 1 {
		t.Errorf("%v, %v, %v, %v", recent, usual, ratio, ok)
	}
}

// The fit leaves out the knee, down to 2 points below the peak, and the noise, from 3
// above the base; it wants four points, a fall of 6 and a decay.
func TestDryDown_WhatIsFitted(t *testing.T) {
	points := func(ys ...float64) (list []DryPoint) {
		for i, y := range ys {
			list = append(list, DryPoint{After: time.Duration(i) * 10 * time.Minute, Temp: 24, RH: y})
		}
		return list
	}
	// 64 above the base of 20, halved every ten minutes; 20 to end with.
	decay := []float64{84, 83, 52, 36, 28, 24, 20, 20, 20, 20, 20, 20}
	f, ok := fitDryDown(points(decay...), math.Inf(1), math.Inf(1))
	if !ok || f.HalfLife.Round(time.Second) != 10*time.Minute || f.Base != 20 || math.Abs(f.R2-1) > 1e-9 || math.Abs(f.Amplitude-128) > 1e-6 {
		t.Errorf("%+v, %v", f, ok)
	}
	for name, ys := range map[string][]float64{
		"a fall of less than six points": {25.9, 23.85, 23.7, 23.5, 23.3, 23.1, 20, 20, 20, 20, 20, 20},
		"three points between":           {84, 83, 52, 36, 28, 22.9, 20, 20, 20, 20, 20, 20},
		"no decay":                       {84, 30, 60, 25, 70, 80, 20, 20, 20, 20, 20, 20},
	} {
		if f, ok := fitDryDown(points(ys...), math.Inf(1), math.Inf(1)); ok {
			t.Errorf("%s: %+v", name, f)
		}
	}
	if _, ok := fitDryDown(points(26, 25, 24, 23.75, 23.5, 23.25, 23, 20, 20, 20), 20, 20); !ok {
		t.Error("six points are no fall")
	}
	// A point two below the peak is the knee's still, one three above the base is none of
	// the noise.
	if f, _ := fitDryDown(points(84, 82, 52, 36, 28, 24, 20, 20, 20, 20, 20, 20), 20, 20); f.HalfLife.Round(time.Second) != 10*time.Minute {
		t.Errorf("with a second point two below the peak: %v", f.HalfLife)
	}
	if _, ok := fitDryDown(points(84, 83, 43, 31.5, 25.75, 23, 20, 20, 20, 20, 20, 20), 20, 20); !ok {
		t.Error("a point three above the base is noise")
	}
	// Half a degree of warming is none.
	for by, want := range map[float64]bool{0.5: false, 0.6: true} {
		list := points(decay...)
		list[4].Temp += by
		if f, _ := fitDryDown(list, math.Inf(1), math.Inf(1)); f.Grams != want {
			t.Errorf("warmer by %v °C: in grams %v", by, f.Grams)
		}
	}
	// A record ends where the air cools by more than a quarter of a degree.
	for by, want := range map[float64]bool{0.25: false, 0.26: true} {
		var r dryRecord
		r.add(mistMinute{At: time.Minute, RH: 95, Temp: 24})
		if r.add(mistMinute{At: 2 * time.Minute, RH: 94, Temp: 24 - by}); r.Ended != want {
			t.Errorf("cooler by %v °C: ended %v", by, r.Ended)
		}
	}
	// When it is full, neighbours are merged and the pace is halved.
	var r dryRecord
	for m := range 2 * dryPoints {
		r.add(mistMinute{At: time.Hour + time.Duration(m)*time.Minute, RH: 95 - float64(m)/10, Temp: 24 + float64(m)/100})
	}
	first, last := r.Points[0].unpack(), r.Points[r.N-1].unpack()
	if r.N != dryPoints/2 || r.Pace != 4 || first.After != 90*time.Second || last.After != 253*time.Minute+30*time.Second {
		t.Errorf("%d points, pace %d, %+v to %+v", r.N, r.Pace, first, last)
	}
	near(t, "°C of the last", last.Temp, 24+2.535, 0.011)
	near(t, "% of the last", last.RH, 95-25.35, 0.011)
}
