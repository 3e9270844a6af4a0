package climate

import "time"

// A Slope is a rate of change with its uncertainty.
type Slope struct {
	PerHour float64       `json:"per_hour"` // °C/h
	Sigma   float64       `json:"sigma"`    // standard uncertainty of PerHour, °C/h
	Value   float64       `json:"value"`    // smoothed value at the end of the window, °C
	Span    time.Duration `json:"span"`     // running time that it was taken over
}

// Trend estimates a robust slope over the last 15 to 30 minutes. The zero
// value is ready. Two-minute means make it cheap and quiet; one wild reading
// in a few does not move it.
type Trend struct{}

// Observe takes one good reading.
func (t *Trend) Observe(at time.Duration, celsius float64) {}

// Slope returns the rate at the time of the last reading, false while there
// are less than 15 minutes without a gap.
func (t *Trend) Slope() (Slope, bool) { return Slope{}, false }

// Change returns by how much the value moved over the last 30 minutes, false
// while there is less than that.
func (t *Trend) Change() (float64, bool) { return 0, false }
