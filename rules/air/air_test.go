package air

import (
	"math"
	"testing"

	"dewline/rules/climate"
)

// The rule of thumb for heated air against the handbook's saturation pressures
// (Hyland–Wexler; ASHRAE Fundamentals 2017, chapter 1).
func TestMoist_SixPercentForEachDegree(t *testing.T) {
	for _, c := range [][2]float64{{18, 20}, {22, 24}, {24, 28}, {28, 31}} {
		cold, err1 := climate.SaturationPressure(c[0])
		warm, err2 := climate.SaturationPressure(c[1])
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if got, want := math.Exp(-moistPer*(c[1]-c[0])), cold/warm; math.Abs(got-want) > 0.006 {
			t.Errorf("from %v to %v °C: %.3f of the humidity is left, want %.3f", c[0], c[1], got, want)
		}
	}
}
