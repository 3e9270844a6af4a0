package climate

import "math"

// disturbance follows what neither room nor lamps explain as a heat input of
// its own: a heater that stuck, water that evaporates, a draught. It is a
// Kalman filter over the same fast and slow response that lamps have, so that
// a heater that has just come on is foreseen to its end and not as a straight
// line. An offset that was always there is a balance: all three are equal.
type disturbance struct {
	Started bool       `json:"started"`
	Fast    float64    `json:"fast"`  // °C
	Slow    float64    `json:"slow"`  // °C
	Input   float64    `json:"input"` // °C that both end at
	P       [6]float64 `json:"p"`     // covariance: ff, ss, dd, fs, fd, sd
	Sum     float64    `json:"sum"`   // of the rests since the last step
	Count   int        `json:"count"`
	Noise   float64    `json:"noise,omitempty"` // °C by which one reading strays
}

const (
	disturbNoise = 0.035 // °C of a step's mean at least, probe and stirring air
	disturbWalk  = 0.5   // °C per √h by which an input drifts
	disturbAir   = 0.05  // °C per √h by which air strays by itself
	disturbJump  = 3.5   // standard deviations: something was switched
	disturbLeap  = 4.0   // °C, how large that may be
	disturbMost  = 2.0   // °C in a step: air does not move faster, a probe does
)

// start takes what is there for a balance, known to within doubt °C.
func (d *disturbance) start(rest, doubt float64) {
	v := doubt * doubt
	*d = disturbance{
		Noise: d.Noise, Started: true, Fast: rest, Slow: rest, Input: rest,
		P: [6]float64{v / 4, v, v / 4, 0, 0, 0},
	}
}

// step moves on by dt hours, in which the filters went fast and slow of their
// way, and takes the mean rest seen in that time.
func (d *disturbance) step(rest, fast, slow, share, dt float64) {
	d.Fast += fast * (d.Input - d.Fast)
	d.Slow += slow * (d.Input - d.Slow)
	p := &d.P
	ff, ss, dd, fs, fd, sd := p[0], p[1], p[2], p[3], p[4], p[5]
	kf, ks := 1-fast, 1-slow
	p[0] = kf*kf*ff + 2*kf*fast*fd + fast*fast*dd + disturbAir*disturbAir*dt
	p[1] = ks*ks*ss + 2*ks*slow*sd + slow*slow*dd
	p[3] = kf*ks*fs + kf*slow*fd + fast*ks*sd + fast*slow*dd
	p[4] = kf*fd + fast*dd
	p[5] = ks*sd + slow*dd
	p[2] = dd + disturbWalk*disturbWalk*dt
	miss := rest - share*d.Fast - (1-share)*d.Slow
	miss = min(max(miss, -disturbMost), disturbMost)
	if miss*miss > disturbJump*disturbJump*d.variance(share) {
		// Six times an hour's share: within ten minutes the input is free to be
		// anything up to a leap, and both responses went their way to it.
		leap := disturbLeap * disturbLeap * dt * 6
		p[2] += leap
		p[4] += fast * leap
		p[5] += slow * leap
		p[0] += fast*fast*leap + 0.25*miss*miss
		p[1] += slow * slow * leap
		p[3] += fast * slow * leap
	}
	d.correct(miss, share)
	if !(d.variance(share) > 0) || !finite(d.Fast+d.Slow+d.Input) {
		d.start(rest, 1) // rounding has eaten the covariance
	}
}

// variance is that of a rest about to be seen.
func (d *disturbance) variance(share float64) float64 {
	p, other := &d.P, 1-share
	return share*share*p[0] + other*other*p[1] + 2*share*other*p[3] + max(disturbNoise*disturbNoise, d.Noise*d.Noise/float64(max(d.Count, 1)))
}

func (d *disturbance) correct(miss, share float64) {
	p, other := &d.P, 1-share
	v := d.variance(share)
	hf, hs, hd := share*p[0]+other*p[3], share*p[3]+other*p[1], share*p[4]+other*p[5]
	d.Fast += hf / v * miss
	d.Slow += hs / v * miss
	d.Input += hd / v * miss
	p[0] = max(p[0]-hf*hf/v, 1e-8)
	p[1] = max(p[1]-hs*hs/v, 1e-8)
	p[2] = max(p[2]-hd*hd/v, 1e-8)
	p[3] -= hf * hs / v
	p[4] -= hf * hd / v
	p[5] -= hs * hd / v
}

// lean returns the state moved by one standard deviation of its input and what
// goes with it.
func (d *disturbance) lean() (fast, slow, input float64) {
	s := math.Sqrt(d.P[2])
	return d.P[4] / s, d.P[5] / s, s
}
