package sensors

import (
	"math"
	"testing"
)

// settledPoint returns the point that a session takes from a steady probe, whose
// humidity rises by slope %RH an hour.
func settledPoint(t *testing.T, s *Session, seconds, celsius, percent, slope float64) Point {
	t.Helper()
	x, ref := NewJudge("x", limitsOf("sht4x")), NewJudge("ref", limitsOf("sht4x"))
	ref.Correct(mustSet(t, Correction{ID: "1", Probe: "ref", Quantity: Temperature, Made: at(0).Wall, From: at(0).Wall,
		Gain: 1, Uncertainty: 0.15}))
	for sec := 0.0; sec <= seconds; sec += 10 {
		s.Observe(ref.Read(at(sec), climate(celsius, percent), nil))
		s.Observe(x.Read(at(sec), climate(celsius, percent+slope*sec/3600), nil))
	}
	if len(s.points) != 1 {
		t.Fatalf("%d points after %v s: %+v", len(s.points), seconds, s.now())
	}
	return s.points[0]
}

func about(got, want float64) bool { return math.Abs(got-want) < 0.01 }

// Over NaCl at 25 °C: 75.29 ± 0.12 %RH (Greenspan 1977), and 0.15 °C between
// salt and probe at 6 % of the humidity for 1 °C, the slope of ln(saturation
// pressure) there.
func TestPointUncertaintyOverSalt(t *testing.T) {
	s, _ := NewSaltSession("x", "nacl")
	p := settledPoint(t, s, 3600, 25, 76, 0)
	if want := math.Hypot(0.12, 75.29*0.06*0.15); !about(p.Uncertainty, want) || !about(p.Reference, 75.29) || p.Temperature != 25 {
		t.Errorf("point %+v, want ± %.2f", p, want)
	}
	// A slope now may be the tail of an approach with a time constant of 3 h.
	s, _ = NewSaltSession("x", "nacl")
	p = settledPoint(t, s, 3600, 25, 74, 0.18)
	if want := math.Hypot(math.Hypot(0.12, 75.29*0.06*0.15), 3*0.18); math.Abs(p.Uncertainty-want) > 0.03 {
		t.Errorf("still rising: ± %.3f, want %.3f", p.Uncertainty, want)
	}
}

// The other probe's own ± 0.15 °C, and 0.1 °C between two places in one box.
func TestPointUncertaintyAgainstAnotherProbe(t *testing.T) {
	p := settledPoint(t, NewTwinSession("x", "ref", Temperature), 1800, 21, 60, 0)
	if want := math.Hypot(0.15, 0.1); !about(p.Uncertainty, want) {
		t.Errorf("± %.3f, want %.3f", p.Uncertainty, want)
	}
}

func TestFitHumidityKeepsTheLargerUncertainty(t *testing.T) {
	a, b := Point{Raw: 75, Reference: 75, Uncertainty: 1}, Point{Raw: 97, Reference: 97, Uncertainty: 2}
	for _, points := range [][]Point{{a, b}, {b, a}} {
		if _, _, u, err := FitHumidity(points); u != 2 || err != nil {
			t.Errorf("± %v, %v, want ± 2", u, err)
		}
	}
}
