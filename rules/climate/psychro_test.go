package climate

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"dewline/configs/draws"

	"pgregory.net/rapid"
)

// near fails unless got is within tol of want.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6g, want %.6g ± %.2g", what, got, want, tol)
	}
}

// value unwraps a result that must not fail.
func value(t *testing.T, what string) func(x float64, err error) float64 {
	t.Helper()
	return func(x float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		return x
	}
}

// Saturation pressure of water in Pa by IAPWS SR1-86 (Wagner and Pruss), and
// by Hyland–Wexler, evaluated independently of this package from the published
// coefficients.
var saturation = []struct{ t, iapws, hylandWexler float64 }{
	{0.01, 611.657, 611.657}, {10, 1228.112, 1227.995}, {15, 1705.677, 1705.448},
	{20, 2339.194, 2338.804}, {22, 2645.223, 2644.753}, {25, 3169.824, 3169.216},
	{28, 3782.976, 3782.207}, {30, 4246.920, 4246.030}, {35, 5629.057, 5627.819},
	{40, 7385.110, 7383.460},
}

func TestSaturationAgainstIAPWS(t *testing.T) {
	for _, c := range saturation {
		what := fmt.Sprintf("saturation pressure at %g °C", c.t)
		got := value(t, what)(SaturationPressure(c.t))
		near(t, what+" (IAPWS, 0.05 %)", got, c.iapws, 5e-4*c.iapws)
		near(t, what+" (Hyland–Wexler, last digit)", got, c.hylandWexler, 1e-3)
	}
}

// wagnerPruss is the saturation equation of IAPWS SR1-86 in Pa: W. Wagner and
// A. Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783, equation 1; coefficients
// from memory, checked against the table above by the test itself.
func wagnerPruss(t float64) float64 {
	const criticalK, criticalPa = 647.096, 22.064e6
	k := t + 273.15
	x := 1 - k/criticalK
	sum := -7.85951783*x + 1.84408259*math.Pow(x, 1.5) - 11.7866497*math.Pow(x, 3) +
		22.6807411*math.Pow(x, 3.5) - 15.9618719*math.Pow(x, 4) + 1.80122502*math.Pow(x, 7.5)
	return criticalPa * math.Exp(criticalK/k*sum)
}

func TestSaturationAgainstWagnerPrussEverywhere(t *testing.T) {
	near(t, "Wagner–Pruss at 25 °C", wagnerPruss(25), 3169.824, 0.002)
	worst := 0.0
	for c := 0.01; c <= 40; c += 0.05 {
		got := value(t, "saturation")(SaturationPressure(c))
		worst = max(worst, math.Abs(got/wagnerPruss(c)-1))
	}
	if worst > 5e-4 {
		t.Errorf("worst deviation from IAPWS over 0–40 °C is %.4f %%, want at most 0.05 %%", 100*worst)
	}
}

// ASHRAE Handbook Fundamentals 2017, chapter 1, table 3, as repeated in the
// tests of the reference library psychrolib; relative tolerance 3e-4, which is
// what the handbook claims.
func TestSaturationAgainstASHRAE(t *testing.T) {
	for _, c := range []struct{ t, pa float64 }{
		{-20, 103.24}, {-5, 401.74}, {5, 872.6}, {25, 3169.7}, {50, 12351.3}, {100, 101418.0},
	} {
		what := fmt.Sprintf("saturation pressure at %g °C", c.t)
		near(t, what, value(t, what)(SaturationPressure(c.t)), c.pa, 3e-4*c.pa)
	}
}

// ASHRAE 2017 chapter 1, table 2: humidity ratio of saturated air at
// 101,325 Pa; 1 %, since the table has the enhancement factor of real air.
func TestSaturatedHumidityRatioAgainstASHRAE(t *testing.T) {
	for _, c := range []struct{ t, w float64 }{{5, 0.005425}, {25, 0.020173}, {50, 0.086863}} {
		what := fmt.Sprintf("humidity ratio at %g °C", c.t)
		near(t, what, value(t, what)(HumidityRatio(c.t, 100, StandardPressure)), c.w, 0.01*c.w)
	}
}

// ASHRAE 2017 chapter 1, example 1 (printed to two digits), and psychrolib's
// own wet-bulb check.
func TestWetBulbAgainstASHRAE(t *testing.T) {
	w := ratioOfWetBulb(30, 25, 95461)
	near(t, "humidity ratio of 30 °C dry, 25 °C wet, 95,461 Pa", w, 0.0192281274, 3e-4*0.0192281274)
	rh := 100 * w * 95461 / (massRatio + w) / value(t, "es")(SaturationPressure(30))
	near(t, "wet bulb back", value(t, "wet bulb")(WetBulb(30, rh, 95461)), 25, 0.001)

	w = ratioOfWetBulb(40, 20, StandardPressure)
	near(t, "example 1: humidity ratio", w, 0.0065, 1e-4)
	rh = 100 * w * StandardPressure / (massRatio + w) / value(t, "es")(SaturationPressure(40))
	near(t, "example 1: relative humidity", rh, 14, 0.5)
	near(t, "example 1: dew point", value(t, "dew point")(DewPoint(40, rh)), 7, 0.5)
	near(t, "example 1: wet bulb back", value(t, "wet bulb")(WetBulb(40, rh, StandardPressure)), 20, 0.001)
}

// Dew point, VPD and absolute humidity by an independent Hyland–Wexler
// inversion, AH = e/(461.5 T); half a unit of the last digit given.
func TestMoistAirAgainstIndependentInversion(t *testing.T) {
	for _, c := range []struct{ t, rh, dew, vpd, grams float64 }{
		{20, 50, 9.2724, 1.1694, 8.644}, {22, 70, 16.2808, 0.7934, 13.592},
		{24, 85, 21.3222, 0.4478, 18.503}, {25, 80, 21.3094, 0.6338, 18.426},
		{26, 90, 24.2311, 0.3363, 21.924}, {28, 95, 27.1227, 0.1891, 25.853},
		{18, 99, 17.8403, 0.0206, 15.210}, {30, 80, 26.1686, 0.8492, 24.280},
		{25, 100, 25, 0, 23.033},
	} {
		at := fmt.Sprintf(" at %g °C, %g %%", c.t, c.rh)
		near(t, "dew point"+at, value(t, at)(DewPoint(c.t, c.rh)), c.dew, 6e-5)
		near(t, "VPD in kPa"+at, value(t, at)(VPD(c.t, c.rh))/1000, c.vpd, 6e-5)
		near(t, "absolute humidity"+at, value(t, at)(AbsoluteHumidity(c.t, c.rh)), c.grams, 6e-4)
	}
}

// The same quantities by Magnus (Sonntag 1990) and wet bulb by Stull 2011,
// J. Appl. Meteor. Climatol. 50, 2267 (20 °C, 50 %: 13.7 °C is his own
// check). Magnus is up to 0.32 % low in pressure and 0.02 °C off in dew point;
// Stull states an error of −1.0 to +0.65 °C.
func TestMoistAirAgainstMagnusAndStull(t *testing.T) {
	for _, c := range []struct{ t, rh, vpd, dew, grams, wet float64 }{
		{18, 85, 0.3089, 15.44, 13.03, 16.20}, {20, 50, 1.1663, 9.26, 8.62, 13.70},
		{22, 90, 0.2637, 20.28, 17.43, 20.74}, {24, 80, 0.5953, 20.33, 17.36, 21.37},
		{25, 50, 1.5800, 13.85, 11.48, 18.00}, {26, 90, 0.3353, 24.23, 21.86, 24.68},
		{28, 95, 0.1886, 27.12, 25.78, 27.36}, {30, 90, 0.4234, 28.18, 27.24, 28.62},
		{32, 60, 1.8980, 23.26, 20.22, 25.79}, {32, 95, 0.2373, 31.10, 32.01, 31.35},
	} {
		at := fmt.Sprintf(" at %g °C, %g %%", c.t, c.rh)
		near(t, "VPD in kPa"+at, value(t, at)(VPD(c.t, c.rh))/1000, c.vpd, 0.004*c.vpd)
		near(t, "dew point"+at, value(t, at)(DewPoint(c.t, c.rh)), c.dew, 0.02)
		near(t, "absolute humidity"+at, value(t, at)(AbsoluteHumidity(c.t, c.rh)), c.grams, 0.004*c.grams)
		wet := value(t, at)(WetBulb(c.t, c.rh, StandardPressure))
		if d := c.wet - wet; d < -1.0 || d > 0.65 {
			t.Errorf("Stull − wet bulb%s is %.2f °C, outside of −1.0 to +0.65 °C", at, d)
		}
	}
}

func TestSaturatedAirIsExact(t *testing.T) {
	for _, c := range []float64{-30, 0, 0.01, 18, 25, 40} {
		if dew := value(t, "dew point")(DewPoint(c, 100)); dew != c {
			t.Errorf("dew point of saturated air at %g °C is %v, want exactly that", c, dew)
		}
		if vpd := value(t, "VPD")(VPD(c, 100)); vpd != 0 {
			t.Errorf("VPD of saturated air at %g °C is %v Pa, want exactly 0", c, vpd)
		}
	}
}

func TestOutsideOfTheDomain(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	bad := map[string]func() (float64, error){
		"dew point, dry":               func() (float64, error) { return DewPoint(25, 0) },
		"dew point, negative humidity": func() (float64, error) { return DewPoint(25, -1) },
		"dew point, above saturation":  func() (float64, error) { return DewPoint(25, 100.01) },
		"dew point, NaN humidity":      func() (float64, error) { return DewPoint(25, nan) },
		"dew point, NaN":               func() (float64, error) { return DewPoint(nan, 50) },
		"dew point below −100 °C":      func() (float64, error) { return DewPoint(-99, 1) },
		"saturation, too cold":         func() (float64, error) { return SaturationPressure(-100.1) },
		"saturation, too hot":          func() (float64, error) { return SaturationPressure(inf) },
		"wet bulb, boiling":            func() (float64, error) { return WetBulb(120, 90, StandardPressure) },
		"wet bulb, no pressure":        func() (float64, error) { return WetBulb(25, 50, 0) },
		"ratio, NaN pressure":          func() (float64, error) { return HumidityRatio(25, 50, nan) },
		"ratio, infinite pressure":     func() (float64, error) { return HumidityRatio(25, 50, inf) },
		"VPD, dry":                     func() (float64, error) { return VPD(25, 0) },
		"absolute humidity, NaN":       func() (float64, error) { return AbsoluteHumidity(nan, 50) },
	}
	for name, f := range bad {
		if got, err := f(); !errors.Is(err, ErrDomain) || got != 0 {
			t.Errorf("%s: got %v, %v; want 0 and ErrDomain", name, got, err)
		}
	}
}

// A probe that is warmer than the air around it reads too low: true 90 % at
// 25 °C reads 88.9, 87.4 and 84.8 % at 0.2, 0.5 and 1 °C more (the project's
// own figures).
func TestSelfHeatingLowersTheReading(t *testing.T) {
	dew := value(t, "dew point")(DewPoint(25, 90))
	for more, want := range map[float64]float64{0.2: 88.9, 0.5: 87.4, 1: 84.8} {
		near(t, "reading", value(t, "humidity")(humidityOfDew(25+more, dew)), want, 0.06)
	}
}

// 3 % of humidity at 25 °C and 90 % are 0.55 °C of dew point and 95 Pa of VPD;
// at 26 °C and 90 % glass that is 1.8 °C colder condenses (the project's own
// figures).
func TestWhatAPercentMeans(t *testing.T) {
	low, high := value(t, "dew")(DewPoint(25, 87)), value(t, "dew")(DewPoint(25, 93))
	near(t, "half the spread of the dew point", (high-low)/2, 0.55, 0.01)
	wide, narrow := value(t, "VPD")(VPD(25, 87)), value(t, "VPD")(VPD(25, 93))
	near(t, "half the spread of the VPD", (wide-narrow)/2, 95, 0.5)
	near(t, "dew point below the air", 26-value(t, "dew")(DewPoint(26, 90)), 1.8, 0.05)
}

// What an enclosure of 91 L breathes out per hour: air changes × volume ×
// difference in absolute humidity, 22.0 and 8.7 g/m³ at 3 per hour: 3.6 g/h
// (the project's own example).
func TestWaterLossExample(t *testing.T) {
	inside := value(t, "inside")(AbsoluteHumidity(25, 95.5))
	room := value(t, "room")(AbsoluteHumidity(22, 45))
	near(t, "loss in g/h", 3*0.091*(inside-room), 3.6, 0.1)
}

func TestMoistAirHoldsTogether(t *testing.T) {
	draws.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-40, 60).Draw(t, "°C")
		rh := rapid.Float64Range(0.5, 100).Draw(t, "%")
		dew, err := DewPoint(c, rh)
		if err != nil {
			t.Fatalf("dew point: %v", err)
		}
		wet, err := WetBulb(c, rh, StandardPressure)
		if err != nil {
			t.Fatalf("wet bulb: %v", err)
		}
		if !(dew <= wet+1e-6 && wet <= c+1e-6) {
			t.Fatalf("dew point %v ≤ wet bulb %v ≤ air %v does not hold", dew, wet, c)
		}
		back, err := humidityOfDew(c, dew)
		if err != nil || math.Abs(back-rh) > 1e-3 {
			t.Fatalf("humidity from dew point: %v (%v), want %v", back, err, rh)
		}
		grams, _ := AbsoluteHumidity(c, rh)
		back, err = humidityOfGrams(c, grams)
		if err != nil || math.Abs(back-rh) > 1e-6 {
			t.Fatalf("humidity from grams: %v (%v), want %v", back, err, rh)
		}
		more := min(100, rh*1.01)
		dew2, _ := DewPoint(c, more)
		vpd, _ := VPD(c, rh)
		vpd2, _ := VPD(c, more)
		if dew2 < dew || vpd2 > vpd {
			t.Fatalf("more water lowered the dew point (%v to %v) or raised the VPD (%v to %v)", dew, dew2, vpd, vpd2)
		}
		warm, _ := SaturationPressure(c + 0.01)
		cool, _ := SaturationPressure(c)
		if !(warm > cool) {
			t.Fatalf("saturation pressure falls from %v to %v Pa at %v °C", cool, warm, c)
		}
	})
}

// Whatever comes in, NaN never comes out and a failure is a domain error.
func TestNeverNaN(t *testing.T) {
	any := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-120, 220),
		rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, 100, -100, 200, 0.01}))
	draws.Check(t, func(t *rapid.T) {
		a, b, c := any.Draw(t, "a"), any.Draw(t, "b"), any.Draw(t, "c")
		check := func(what string) func(float64, error) {
			return func(x float64, err error) {
				if !finite(x) || err != nil && !errors.Is(err, ErrDomain) {
					t.Fatalf("%s(%v, %v, %v) = %v, %v", what, a, b, c, x, err)
				}
			}
		}
		check("saturation")(SaturationPressure(a))
		check("dew point")(DewPoint(a, b))
		check("wet bulb")(WetBulb(a, b, c))
		check("grams")(AbsoluteHumidity(a, b))
		check("ratio")(HumidityRatio(a, b, c))
		check("VPD")(VPD(a, b))
	})
}

// humidityOfDew is the relative humidity in % of air at celsius whose dew point
// is dew: by definition the quotient of the saturation pressures.
func humidityOfDew(celsius, dew float64) (float64, error) {
	es, err := SaturationPressure(celsius)
	if err != nil {
		return 0, err
	}
	e, err := SaturationPressure(dew)
	return 100 * e / es, err
}

// humidityOfGrams is the relative humidity in % of air at celsius that holds
// grams of water per cubic metre, which is proportional to the humidity.
func humidityOfGrams(celsius, grams float64) (float64, error) {
	full, err := AbsoluteHumidity(celsius, 100)
	return 100 * grams / full, err
}
