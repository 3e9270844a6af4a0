package sim

import "math"

// Saturation vapour pressure over water by the Magnus form with the
// coefficients of Sonntag 1990, as WMO-No. 8 gives them: within 0.3 % of
// IAPWS over 0 to 40 °C, which is far less than a probe errs.
func saturationKPa(tempC float64) float64 {
	return 0.6112 * math.Exp(17.62*tempC/(243.12+tempC))
}

// saturationDensity returns the absolute humidity of saturated air in g/m³, by the
// gas law of water vapour.
func saturationDensity(tempC float64) float64 {
	return 2166.8 * saturationKPa(tempC) / (tempC + 273.15)
}

const (
	satLow   = -60.0 // °C
	satHigh  = 120.0
	satPerC  = 16
	satCells = int(satHigh-satLow) * satPerC
)

// A satTable is saturationDensity on a grid of 1/16 °C: linear between the
// points it is within 0.001 %, and it takes the exponential out of the step.
type satTable [satCells + 1]float64

func newSatTable() *satTable {
	t := new(satTable)
	for i := range t {
		t[i] = saturationDensity(satLow + float64(i)/satPerC)
	}
	return t
}

// at returns the saturated density in g/m³, clamped to the table's ends.
func (t *satTable) at(tempC float64) float64 {
	x := (tempC - satLow) * satPerC
	i := int(x)
	if uint(i) >= uint(satCells) {
		if x < 0 {
			return t[0]
		}
		return t[satCells]
	}
	return t[i] + (t[i+1]-t[i])*(x-float64(i))
}
