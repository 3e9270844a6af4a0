package sensors

import (
	"errors"
	"time"
)

// A Quantity names what a correction or calibration is about.
type Quantity string

// The quantities that can be calibrated.
const (
	Temperature Quantity = "temperature"
	Humidity    Quantity = "humidity"
)

// ErrRefused is what a correction that no sound probe can need is refused
// with; the wrapping error says why.
var ErrRefused = errors.New("calibration refused")

// A Correction is one dated record: from From on, the true value is
// Gain × raw + Offset. Records are never changed; a wrong one is undone by a
// further record whose Undoes names it.
type Correction struct {
	ID       string    `json:"id"` // unique over all records
	Probe    ProbeID   `json:"probe"`
	Quantity Quantity  `json:"quantity"`
	Made     time.Time `json:"made"` // when the record was written
	From     time.Time `json:"from"` // readings from then on are corrected
	Gain     float64   `json:"gain,omitempty"`
	Offset   float64   `json:"offset,omitempty"` // °C or %RH
	// Uncertainty of a corrected value when fresh, about 95 %, °C or %RH.
	Uncertainty float64 `json:"uncertainty,omitempty"`
	Method      string  `json:"method,omitempty"` // "nacl + k2so4", "ice", "against canopy-3"
	By          string  `json:"by,omitempty"`
	Note        string  `json:"note,omitempty"`
	Points      []Point `json:"points,omitempty"`
	// Undoes is the ID of a record that is to be as if it had never been; the
	// values above are then empty. An undo can itself be undone.
	Undoes string `json:"undoes,omitempty"`
}

// A Point is one comparison of a probe with a reference.
type Point struct {
	At          time.Time `json:"at"`
	Raw         float64   `json:"raw"`       // mean of the probe's raw values
	Reference   float64   `json:"reference"` // what it should have shown
	Uncertainty float64   `json:"uncertainty"`
	Temperature float64   `json:"temperature"` // °C, where the reference depends on it
	Source      string    `json:"source"`      // "nacl", "ice", a probe's id
}

// Check refuses a record that is incomplete or that no sound probe can need:
// a gain outside 0.9 to 1.1, more than 10 %RH or 2 °C.
func (c Correction) Check() error { return nil }

// Applied is the pair of records in force for one probe at one time; nil where
// there is none.
type Applied struct {
	Temperature *Correction
	Humidity    *Correction
}

// Apply returns the corrected values of a raw sample, humidity clipped to 0 to
// 100 %.
func (a Applied) Apply(s Sample) (CentiCelsius, CentiPercent) { return s.Temperature, s.Humidity }

// Corrections is an immutable set of records. The nil set corrects nothing.
type Corrections struct{}

// NewCorrections builds a set. Records that fail Check or name an unknown one
// to undo are left out and named in the error; the set is usable all the same.
func NewCorrections(records []Correction) (*Corrections, error) { return &Corrections{}, nil }

// At returns what is in force for probe at a wall time: of the records from
// that time or before, the one that was made last.
func (c *Corrections) At(probe ProbeID, at time.Time) Applied { return Applied{} }

// Records returns all records, undone ones too, oldest first.
func (c *Corrections) Records() []Correction { return nil }

// With returns a set with one record more.
func (c *Corrections) With(r Correction) (*Corrections, error) { return c, nil }

// Overdue reports whether a probe's quantity has not been calibrated for
// longer than every at now, and since when it is due. A probe that was never
// calibrated counts from installed; a zero installed is due at once.
func (c *Corrections) Overdue(probe ProbeID, q Quantity, every time.Duration, installed, now time.Time) (due time.Time, overdue bool) {
	return now, false
}
