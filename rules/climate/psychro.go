package climate

import (
	"errors"
	"fmt"
	"math"
)

// ErrDomain marks an argument outside of what a formula is defined for. Every
// function of moist air returns it, wrapped with the value, instead of NaN.
var ErrDomain = errors.New("outside the range of moist air")

// StandardPressure is the pressure of the standard atmosphere at sea level, Pa.
const StandardPressure = 101325.0

// Limits and constants of the formulas: ASHRAE Handbook Fundamentals 2017,
// chapter 1.
const (
	coldest     = -100.0   // °C, lower end of Hyland–Wexler
	hottest     = 200.0    // °C, upper end
	tripleC     = 0.01     // °C; ice formula below, water formula above
	triplePa    = 611.657  // Pa
	zeroKelvin  = 273.15   // K at 0 °C
	massRatio   = 0.621945 // molar mass of water over that of dry air
	vapourConst = 461.5    // J/(kg K), specific gas constant of water vapour
)

// SaturationPressure returns the saturation vapour pressure over liquid water
// in Pa at t °C, over ice below the triple point. Hyland and Wexler 1983 as
// printed in ASHRAE 2017, for −100 to 200 °C.
func SaturationPressure(t float64) (float64, error) {
	if !(t >= coldest && t <= hottest) {
		return 0, fmt.Errorf("%g °C: %w", t, ErrDomain)
	}
	return math.Exp(lnSaturation(t)), nil
}

// lnSaturation returns ln of the saturation pressure in Pa.
func lnSaturation(t float64) float64 {
	k := t + zeroKelvin
	if t < tripleC {
		return -5.6745359e3/k + 6.3925247 + k*(-9.677843e-3+k*(6.2215701e-7+k*(2.0747825e-9-k*9.484024e-13))) + 4.1635019*math.Log(k)
	}
	return -5.8002206e3/k + 1.3914993 + k*(-4.8640239e-2+k*(4.1764768e-5-k*1.4452093e-8)) + 6.5459673*math.Log(k)
}

// checkHumidity refuses a humidity that is not above 0 and at most 100 %. Air
// that holds no water at all has no dew point, and a probe that says so is
// broken.
func checkHumidity(rh float64) error {
	if !(rh > 0 && rh <= 100) {
		return fmt.Errorf("%g %% relative humidity: %w", rh, ErrDomain)
	}
	return nil
}

// moist reports whether a reading is one of moist air at all.
func moist(t, rh float64) bool { return finite(t) && rh > 0 && rh <= 100 }

// VapourPressure returns the partial pressure of water vapour in Pa of air at
// t °C and rh %.
func VapourPressure(t, rh float64) (float64, error) {
	if err := checkHumidity(rh); err != nil {
		return 0, err
	}
	es, err := SaturationPressure(t)
	return es * rh / 100, err
}

// DewPoint returns the dew point in °C (the frost point below 0.01 °C) of air
// at t °C and rh %. It is t itself at 100 %.
func DewPoint(t, rh float64) (float64, error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	if rh == 100 {
		return t, nil
	}
	dew, err := dewPointOf(e)
	if err != nil {
		return 0, err
	}
	return min(dew, t), nil
}

// dewPointOf inverts SaturationPressure: by what it misses in ln p it corrects the
// exponent of the Magnus form, which is nearly that.
func dewPointOf(e float64) (float64, error) {
	// The formulas for ice and water meet at the triple point with a kink:
	// staying on one side of it keeps the steps from jumping to and fro.
	low, high := tripleC, hottest
	if e < triplePa {
		low, high = coldest, math.Nextafter(tripleC, coldest)
	}
	ln, exponent, dew := math.Log(e), 0.0, 0.0
	for range 20 {
		dew = min(max(243.12*exponent/(17.62-exponent), low), high)
		miss := ln - lnSaturation(dew)
		if math.Abs(miss) < 1e-10 {
			break
		}
		exponent += miss
	}
	if dew <= coldest {
		return 0, fmt.Errorf("dew point of %g Pa: %w", e, ErrDomain)
	}
	return dew, nil
}

// saturatedRatio returns the humidity ratio of saturated air; it grows without
// bound where water boils.
func saturatedRatio(t, pressure float64) float64 {
	es := min(math.Exp(lnSaturation(t)), 0.999*pressure)
	return massRatio * es / (pressure - es)
}

// ratioOfWetBulb returns the humidity ratio of air at t °C whose wet bulb is
// wet °C (ASHRAE 2017, chapter 1, equations 33 and 35).
func ratioOfWetBulb(t, wet, pressure float64) float64 {
	ws := saturatedRatio(wet, pressure)
	if wet < 0 {
		return ((2830-0.24*wet)*ws - 1.006*(t-wet)) / (2830 + 1.86*t - 2.1*wet)
	}
	return ((2501-2.326*wet)*ws - 1.006*(t-wet)) / (2501 + 1.86*t - 4.186*wet)
}

// WetBulb returns the thermodynamic wet-bulb temperature in °C of air at t °C,
// rh % and pressure Pa: what a ventilated wet thermometer, or a frog in moving
// air, comes close to. It lies between the dew point and t.
func WetBulb(t, rh, pressure float64) (float64, error) {
	w, err := HumidityRatio(t, rh, pressure)
	if err != nil {
		return 0, err
	}
	dew, err := DewPoint(t, rh)
	if err != nil {
		return 0, err
	}
	low, high := dew, t
	for range 60 {
		if high-low < 1e-7 {
			break
		}
		mid := (low + high) / 2
		if ratioOfWetBulb(t, mid, pressure) > w {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2, nil
}

// AbsoluteHumidity returns grams of water vapour per cubic metre of air at
// t °C and rh %.
func AbsoluteHumidity(t, rh float64) (float64, error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	return 1000 * e / (vapourConst * (t + zeroKelvin)), nil
}

// HumidityRatio returns kilograms of vapour per kilogram of dry air at t °C,
// rh % and pressure Pa, as an ideal gas.
func HumidityRatio(t, rh, pressure float64) (float64, error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	if !(pressure > e && pressure <= math.MaxFloat64) {
		return 0, fmt.Errorf("%g Pa at a vapour pressure of %g Pa: %w", pressure, e, ErrDomain)
	}
	return massRatio * e / (pressure - e), nil
}

// VPD returns the vapour pressure deficit in Pa of air at t °C and rh %: how
// hard it pulls water from skin, leaf and egg. Zero at 100 %.
func VPD(t, rh float64) (float64, error) {
	e, err := VapourPressure(t, rh)
	if err != nil {
		return 0, err
	}
	return e * (100 - rh) / rh, nil
}
