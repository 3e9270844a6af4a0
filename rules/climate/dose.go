package climate

import "time"

// DoseLimits say what counts as exposure for a species and stage.
type DoseLimits struct {
	Boundary      float64       // °C; only time at or above it counts
	ReferenceTemp float64       // °C of the keeper's reference
	ReferenceTime time.Duration // time at ReferenceTemp that makes a fraction of 1
	TenfoldPer    float64       // K for ten times the weight; 3
}

// Dose is additive heat exposure. The zero value is no exposure.
type Dose struct {
	Minutes     float64       `json:"minutes"`      // equivalent minutes at the reference temperature
	DegreeHours float64       `json:"degree_hours"` // above the boundary
	Unknown     time.Duration `json:"unknown"`      // time in gaps, which is not counted
	Last        time.Duration `json:"last"`
	LastTemp    float64       `json:"last_temp"`
	Started     bool          `json:"started"`
}

// Observe adds the time since the last reading. A gap of more than 15 minutes
// is not bridged: it adds to Unknown.
func (d *Dose) Observe(l DoseLimits, at time.Duration, celsius float64) {}

// Fraction returns the share of the reference that has been used; 1 is all.
func (d *Dose) Fraction(l DoseLimits) float64 { return 0 }

// TimeLeft returns how long the rest of the reference lasts at the last
// temperature, false below the boundary. It is a relative figure and never a
// safe time.
func (d *Dose) TimeLeft(l DoseLimits) (time.Duration, bool) { return 0, false }
