package climate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// run steps a disturbance minute by minute with the rest that an input of
// heat makes.
func runDisturbance(d *disturbance, minutes int, noise float64, input func(m int) float64) (fast, slow float64) {
	rng := rand.New(rand.NewPCG(5, 5))
	const share = 0.6
	a, b := -math.Expm1(-1/60.0/0.4), -math.Expm1(-1/60.0/5)
	for m := range minutes {
		fast += a * (input(m) - fast)
		slow += b * (input(m) - slow)
		rest := share*fast + (1-share)*slow + noise*rng.NormFloat64()
		if !d.Started {
			d.start(rest, 0.3)
		}
		d.step(rest, a, b, share, 1/60.0)
	}
	return fast, slow
}

// A heater that adds 8 °C in the end is known to within a quarter ten minutes
// after it came on, when the air has risen by less than 2 °C.
func TestDisturbanceFindsAHeater(t *testing.T) {
	for _, after := range []int{10, 20, 60} {
		var d disturbance
		runDisturbance(&d, 600+after, 0.03, func(m int) float64 {
			if m < 600 {
				return 0
			}
			return 8
		})
		near(t, "input", d.Input, 8, 2)
		if s := math.Sqrt(d.P[2]); math.Abs(d.Input-8) > 4*s {
			t.Errorf("after %d min the input is %.2f ± %.2f °C, the truth 8", after, d.Input, s)
		}
	}
}

func TestDisturbanceStaysCalmInNoise(t *testing.T) {
	var d disturbance
	runDisturbance(&d, 100_000, 0.03, func(int) float64 { return 0 })
	if math.Abs(d.Input) > 0.8 {
		t.Errorf("noise of 0.03 °C makes an input of %.2f °C", d.Input)
	}
}

// One minute of a mad probe must not leave a heater behind.
func TestDisturbanceForgetsAWildMinute(t *testing.T) {
	var d disturbance
	runDisturbance(&d, 600, 0.03, func(int) float64 { return 0 })
	a, b := -math.Expm1(-1/60.0/0.4), -math.Expm1(-1/60.0/5)
	d.step(60, a, b, 0.6, 1/60.0)
	for range 30 {
		d.step(0, a, b, 0.6, 1/60.0)
	}
	if math.Abs(d.Input) > 1.5 {
		t.Errorf("half an hour after a minute at +60 °C the input is %.2f °C", d.Input)
	}
	d.step(math.NaN(), a, b, 0.6, 1/60.0)
	d.step(0.1, a, b, 0.6, 1/60.0)
	if !finite(d.Input) {
		t.Error("NaN stays for ever")
	}
}
