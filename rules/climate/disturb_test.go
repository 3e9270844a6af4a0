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

// The filter is Kalman's (J. Basic Eng. 82, 1960, 35) in plain numbers: P' = F P Fᵀ + Q,
// K = P' Hᵀ / (H P' Hᵀ + R), P = P' − K H P', here with matrices.
func TestDisturbanceIsAKalmanFilter(t *testing.T) {
	const fast, slow, share, dt = 0.04, 0.004, 0.6, 1 / 60.0
	type matrix [3][3]float64 // fast, slow, input
	mul := func(a, b matrix) (c matrix) {
		for i := range 3 {
			for j := range 3 {
				for k := range 3 {
					c[i][j] += a[i][k] * b[k][j]
				}
			}
		}
		return c
	}
	turned := func(a matrix) (b matrix) {
		for i := range 3 {
			for j := range 3 {
				b[i][j] = a[j][i]
			}
		}
		return b
	}
	f := matrix{{1 - fast, 0, fast}, {0, 1 - slow, slow}, {0, 0, 1}}
	h := [3]float64{share, 1 - share, 0}
	var d disturbance
	d.start(0.5, 0.4)
	x, p := [3]float64{0.5, 0.5, 0.5}, matrix{{0.04, 0, 0}, {0, 0.16, 0}, {0, 0, 0.04}}
	for m := range 240 {
		rest := 0.5 + 0.05*math.Sin(float64(m))
		if m >= 120 {
			rest += 3 // it is switched on
		}
		x = [3]float64{x[0] + fast*(x[2]-x[0]), x[1] + slow*(x[2]-x[1]), x[2]}
		p = mul(mul(f, p), turned(f))
		p[0][0] += disturbAir * disturbAir * dt
		p[2][2] += disturbWalk * disturbWalk * dt
		variance := func() float64 {
			v := disturbNoise * disturbNoise
			for i := range 3 {
				for j := range 3 {
					v += h[i] * p[i][j] * h[j]
				}
			}
			return v
		}
		miss := rest - h[0]*x[0] - h[1]*x[1]
		miss = min(max(miss, -disturbMost), disturbMost)
		if math.Abs(miss) > disturbJump*math.Sqrt(variance()) { // the input leapt
			g := [3]float64{fast, slow, 1} // how far each has followed
			for i := range 3 {
				for j := range 3 {
					p[i][j] += g[i] * g[j] * disturbLeap * disturbLeap * dt * 6
				}
			}
			p[0][0] += miss * miss / 4
		}
		v := variance()
		var k [3]float64
		for i := range 3 {
			k[i] = (p[i][0]*h[0] + p[i][1]*h[1]) / v
			x[i] += k[i] * miss
		}
		for i := range 3 {
			for j := range 3 {
				p[i][j] -= k[i] * v * k[j]
			}
		}
		d.step(rest, fast, slow, share, dt)
		for i, got := range [...]float64{d.Fast, d.Slow, d.Input, d.P[0], d.P[1], d.P[2], d.P[3], d.P[4], d.P[5]} {
			want := [...]float64{x[0], x[1], x[2], p[0][0], p[1][1], p[2][2], p[0][1], p[0][2], p[1][2]}[i]
			if math.Abs(got-want) > 1e-9 {
				t.Fatalf("minute %d, number %d: %.12g, by matrices %.12g", m, i, got, want)
			}
		}
	}
	// One standard deviation of the input, with what goes with it.
	a, b, c := d.lean()
	near(t, "input", c, math.Sqrt(p[2][2]), 1e-9)
	near(t, "fast", a, p[0][2]/math.Sqrt(p[2][2]), 1e-9)
	near(t, "slow", b, p[1][2]/math.Sqrt(p[2][2]), 1e-9)
}
