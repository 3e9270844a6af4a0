// Package salt holds the humidity fixed points over saturated salt solutions
// that probes are calibrated against: L. Greenspan, Humidity fixed points of
// binary saturated aqueous solutions, J. Res. Natl. Bur. Stand. 81A(1), 1977.
package salt

import (
	"fmt"
	"strings"
)

// A Salt is one saturated aqueous solution.
type Salt struct {
	Name    string // as typed: "nacl"
	Formula string // as printed: "NaCl"
	poly    [4]float64
	bound   [11]float64
}

// The fixed points are given from coldest to hottest, their bounds in steps; °C.
const (
	coldest = 0.0
	hottest = 50.0
	step    = 5.0
)

// table holds the known salts, driest first: Greenspan's polynomials, and the
// uncertainties that he states at 0, 5, ... 50 °C (from memory; those at 15 to
// 30 °C checked in the tests).
var table = [...]Salt{
	{"mgcl2", "MgCl2", [4]float64{33.6686, -7.97397e-3, -1.08988e-3},
		[11]float64{0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14, 0.13, 0.13, 0.13, 0.14}},
	{"nacl", "NaCl", [4]float64{75.5164, 3.98321e-2, -2.65459e-3, 2.848e-5},
		[11]float64{0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11, 0.12, 0.13, 0.16, 0.19}},
	{"kcl", "KCl", [4]float64{88.6190, -0.193340, 8.99706e-4},
		[11]float64{0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25, 0.25, 0.25, 0.28, 0.31}},
	{"k2so4", "K2SO4", [4]float64{98.7792, -5.90502e-2},
		[11]float64{1.10, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40, 0.38, 0.38, 0.40, 0.45}},
}

// ByName finds a salt by its name in upper or lower case.
func ByName(name string) (Salt, error) {
	for _, s := range table {
		if strings.EqualFold(s.Name, name) {
			return s, nil
		}
	}
	return Salt{}, fmt.Errorf("salt %q is not known: use mgcl2, nacl, kcl or k2so4", name)
}

// Humidity returns the relative humidity over the solution at a temperature in
// °C and the uncertainty of that figure, both in %RH.
func (s Salt) Humidity(celsius float64) (percent, uncertainty float64, err error) {
	if !(celsius >= coldest && celsius <= hottest) {
		return 0, 0, fmt.Errorf("%s: no fixed point at %.1f °C: the table runs from %.0f to %.0f °C",
			s.Formula, celsius, coldest, hottest)
	}
	for i := len(s.poly) - 1; i >= 0; i-- {
		percent = percent*celsius + s.poly[i]
	}
	i := min(int(celsius/step), len(s.bound)-2)
	part := celsius/step - float64(i)
	return percent, s.bound[i] + part*(s.bound[i+1]-s.bound[i]), nil
}
