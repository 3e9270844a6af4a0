package sim

import (
	"math"
	"testing"
)

// Saturation pressures by the Wagner–Pruß equation of IAPWS-95, in kPa; WMO
// states the Magnus form to be within 0.3 % or so of it here.
func TestSaturationPressure(t *testing.T) {
	for temp, want := range map[float64]float64{10: 1.2281, 20: 2.3392, 25: 3.1698, 30: 4.2469, 35: 5.6291} {
		if got := saturationKPa(temp); math.Abs(got/want-1) > 0.0032 {
			t.Errorf("%g °C: %.4f kPa, IAPWS-95 says %.4f", temp, got, want)
		}
	}
}

// Absolute humidities, computed by hand from the Magnus form (Sonntag 1990)
// and the gas constant of water vapour, 461.5 J/kgK.
func TestVapourDensity(t *testing.T) {
	for _, c := range []struct{ temp, rh, want float64 }{
		{18, 85, 13.03}, {20, 50, 8.62}, {22, 90, 17.43}, {25, 50, 11.48}, {28, 95, 25.78}, {32, 60, 20.22},
	} {
		if got := c.rh / 100 * saturationDensity(c.temp); math.Abs(got-c.want) > 0.006 {
			t.Errorf("%g °C, %g %%: %.3f g/m³, want %.2f", c.temp, c.rh, got, c.want)
		}
	}
}

func TestSaturationTable(t *testing.T) {
	table := newSatTable()
	for temp := -40.0; temp < 80; temp += 0.0371 {
		want := saturationDensity(temp)
		if got := table.at(temp); math.Abs(got/want-1) > 2e-5 {
			t.Fatalf("%.4f °C: %g, want %g", temp, got, want)
		}
	}
	if table.at(-1000) != saturationDensity(satLow) || table.at(1000) != saturationDensity(satHigh) {
		t.Error("beyond its ends the table is not clamped")
	}
}
