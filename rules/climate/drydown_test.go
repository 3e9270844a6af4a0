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
