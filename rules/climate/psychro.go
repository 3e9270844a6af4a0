package climate

import "errors"

// ErrDomain marks an argument outside of what a formula is defined for. Every
// function of moist air returns it, wrapped with the value, instead of NaN.
var ErrDomain = errors.New("outside the range of moist air")

// StandardPressure is the pressure of the standard atmosphere at sea level, Pa.
const StandardPressure = 101325.0

// SaturationPressure returns the saturation vapour pressure over liquid water
// in Pa at t °C (over ice below 0 °C).
func SaturationPressure(t float64) (float64, error) { return 0, ErrDomain }

// VapourPressure returns the partial pressure of water vapour in Pa.
func VapourPressure(t, rh float64) (float64, error) { return 0, ErrDomain }

// DewPoint returns the dew point in °C of air at t °C and rh %.
func DewPoint(t, rh float64) (float64, error) { return 0, ErrDomain }

// WetBulb returns the thermodynamic wet-bulb temperature in °C at pressure Pa.
func WetBulb(t, rh, pressure float64) (float64, error) { return 0, ErrDomain }

// AbsoluteHumidity returns grams of water vapour per cubic metre.
func AbsoluteHumidity(t, rh float64) (float64, error) { return 0, ErrDomain }

// HumidityRatio returns kilograms of vapour per kilogram of dry air.
func HumidityRatio(t, rh, pressure float64) (float64, error) { return 0, ErrDomain }

// VPD returns the vapour pressure deficit in Pa.
func VPD(t, rh float64) (float64, error) { return 0, ErrDomain }

// RelativeHumidity returns the relative humidity in % of air at t °C whose dew
// point is dew °C.
func RelativeHumidity(t, dew float64) (float64, error) { return 0, ErrDomain }

// RelativeHumidityOf returns the relative humidity in % of air at t °C that
// holds grams of vapour per cubic metre.
func RelativeHumidityOf(t, grams float64) (float64, error) { return 0, ErrDomain }

// GlassMargin returns by how many kelvins the inside of the front glass is
// warmer than the dew point; at or below zero it fogs.
func GlassMargin(t, rh, room float64) (float64, error) { return 0, ErrDomain }
