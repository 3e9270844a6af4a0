package sensors

import "time"

// Ageing is what a probe went through that makes its humidity less certain. It
// is plain data to be kept across a restart.
type Ageing struct {
	// Soaked is the time above 80 %RH, less the time of recovery below.
	Soaked time.Duration `json:"soaked"`
	// Last is the running time of the last observation.
	Last time.Duration `json:"last"`
}

// Observe adds a raw humidity at a running time.
func (a *Ageing) Observe(mono time.Duration, rh CentiPercent) {}

// Stated is the uncertainty of one reading, about 95 %.
type Stated struct {
	Temperature   CentiCelsius // either side
	HumidityBelow CentiPercent // the true humidity may lie so far below
	HumidityAbove CentiPercent // and so far above
}

// Uncertainty states how far a probe's corrected values can be trusted at a
// wall time, given its family, the correction in force and its ageing.
func Uncertainty(family string, s Sample, a Applied, age Ageing, at time.Time) Stated { return Stated{} }
