package salt

import (
	"math"
	"strings"
	"testing"
)

// Values and uncertainties at 15, 20, 25 and 30 °C as tabulated by L. Greenspan,
// J. Res. Natl. Bur. Stand. 81A(1), 1977, table 2.
func TestGreenspanTable(t *testing.T) {
	celsius := [4]float64{15, 20, 25, 30}
	for _, c := range []struct {
		name        string
		percent     [4]float64
		uncertainty [4]float64
	}{
		{"mgcl2", [4]float64{33.30, 33.07, 32.78, 32.44}, [4]float64{0.21, 0.18, 0.16, 0.14}},
		{"nacl", [4]float64{75.61, 75.47, 75.29, 75.09}, [4]float64{0.18, 0.14, 0.12, 0.11}},
		{"kcl", [4]float64{85.92, 85.11, 84.34, 83.62}, [4]float64{0.33, 0.29, 0.26, 0.25}},
		{"k2so4", [4]float64{97.89, 97.59, 97.30, 97.00}, [4]float64{0.63, 0.53, 0.45, 0.40}},
	} {
		s, err := ByName(c.name)
		if err != nil {
			t.Fatal(err)
		}
		for i, at := range celsius {
			percent, uncertainty, err := s.Humidity(at)
			if err != nil || math.Abs(percent-c.percent[i]) > 0.0101 || math.Abs(uncertainty-c.uncertainty[i]) > 1e-9 {
				t.Errorf("%s at %.0f °C: %.3f ± %.3f (%v), want %.2f ± %.2f",
					s.Formula, at, percent, uncertainty, err, c.percent[i], c.uncertainty[i])
			}
		}
	}
}

// An independent fit: CRC Handbook of Chemistry and Physics, constant humidity
// solutions, RH = A exp(B/T) with T in kelvin, ± 2 %.
func TestAgreesWithTheHandbookFit(t *testing.T) {
	for name, c := range map[string]struct{ a, b float64 }{
		"mgcl2": {29.26, 34}, "nacl": {69.20, 25}, "kcl": {49.38, 159}, "k2so4": {86.75, 34},
	} {
		s, err := ByName(name)
		if err != nil {
			t.Fatal(err)
		}
		for celsius := 15.0; celsius <= 30; celsius++ {
			want := c.a * math.Exp(c.b/(celsius+273.15))
			if got, _, _ := s.Humidity(celsius); math.Abs(got/want-1) > 0.02 {
				t.Errorf("%s at %.0f °C: %.2f, handbook %.2f", s.Formula, celsius, got, want)
			}
		}
	}
}

func TestUncertaintyRunsInStraightLinesBetweenTheEntries(t *testing.T) {
	s, _ := ByName("NaCl")
	for celsius, want := range map[float64]float64{0: 0.34, 17.5: 0.16, 22: 0.132, 50: 0.19} {
		if _, got, err := s.Humidity(celsius); err != nil || math.Abs(got-want) > 1e-9 {
			t.Errorf("at %v °C: %v, %v, want %v", celsius, got, err, want)
		}
	}
}

func TestOutsideTheTableIsAnError(t *testing.T) {
	for _, s := range table {
		for _, celsius := range []float64{-0.01, 50.01, math.NaN(), math.Inf(1)} {
			if p, u, err := s.Humidity(celsius); err == nil || p != 0 || u != 0 {
				t.Errorf("%s at %v °C: %v ± %v without an error", s.Formula, celsius, p, u)
			}
		}
	}
}

func TestUnknownSalt(t *testing.T) {
	_, err := ByName("licl")
	if err == nil || !strings.Contains(err.Error(), `salt "licl" is not known: use mgcl2, nacl, kcl or k2so4`) {
		t.Errorf("error %v", err)
	}
	if len(table) != 4 || table[0].Name != "mgcl2" {
		t.Errorf("%+v", table)
	}
}
