package sensors

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// Quantity names what a correction or calibration is about.
type Quantity string

// The quantities that can be calibrated.
const (
	Temperature Quantity = "temperature"
	Humidity    Quantity = "humidity"
)

// What no sound probe can need. A larger correction hides a broken, wet or
// polluted probe or a mistake in the procedure.
const (
	leastGain         = 0.9
	mostGain          = 1.1
	mostHumidityShift = 10.0 // %RH
	mostCelsiusShift  = 2.0  // °C
)

// ErrRefused is what a correction that no sound probe can need is refused with.
var ErrRefused = errors.New("calibration refused")

// A Correction is one dated record: from From on, the true value is
// Gain × raw + Offset. Records are never changed; a wrong one is undone by a
// further record whose Undoes names it.
type Correction struct {
	ID       string    `json:"id"` // unique over all records
	Probe    ProbeID   `json:"probe"`
	Quantity Quantity  `json:"quantity"`
	Made     time.Time `json:"made"`          // when the record was written
	From     time.Time `json:"from,omitzero"` // readings from then on are corrected
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
	Raw         float64   `json:"raw"`         // mean of the probe's raw values, °C or %RH
	Reference   float64   `json:"reference"`   // what it should have shown
	Uncertainty float64   `json:"uncertainty"` // of the comparison, about 95 %
	Temperature float64   `json:"temperature"` // °C, where the reference depends on it
	Source      string    `json:"source"`      // "nacl", "ice", a probe's id
}

// Check refuses a record that is incomplete, and with ErrRefused one that no sound probe
// can need. Humidities are looked at from 70 to 100 %RH, where enclosures are kept.
func (c Correction) Check() error {
	switch {
	case c.ID == "":
		return fmt.Errorf("correction of probe %q has no id", c.Probe)
	case c.Undoes == c.ID:
		return fmt.Errorf("correction %q undoes itself", c.ID)
	case c.Undoes != "":
		return nil
	case c.Probe == "":
		return fmt.Errorf("correction %q names no probe", c.ID)
	case c.Made.IsZero() || c.From.IsZero():
		return fmt.Errorf("correction %q of probe %s has no date", c.ID, c.Probe)
	case !(c.Uncertainty >= 0) || math.IsInf(c.Uncertainty, 0):
		return fmt.Errorf("correction %q of probe %s: uncertainty %v is no number from 0 up", c.ID, c.Probe, c.Uncertainty)
	}
	var err error
	switch c.Quantity {
	case Temperature:
		err = checkTemperature(c.Gain, c.Offset)
	case Humidity:
		err = checkHumidity(c.Gain, c.Offset)
	default:
		err = fmt.Errorf("quantity %q is neither temperature nor humidity", c.Quantity)
	}
	if err != nil {
		return fmt.Errorf("correction %q of probe %s: %w", c.ID, c.Probe, err)
	}
	return nil
}

// The comparisons below are written so that NaN is refused.

func checkTemperature(gain, offset float64) error {
	if gain != 1 {
		return fmt.Errorf("%w: a temperature is corrected by an offset, not by a gain of %.4f", ErrRefused, gain)
	}
	if !(math.Abs(offset) <= mostCelsiusShift) {
		return fmt.Errorf("%w: offset %+.2f °C is more than %.0f °C: check the reference and the probe's wiring, "+
			"or replace the probe", ErrRefused, offset, mostCelsiusShift)
	}
	return nil
}

func checkHumidity(gain, offset float64) error {
	if !(gain >= leastGain && gain <= mostGain) {
		return fmt.Errorf("%w: gain %.4f is outside %.1f to %.1f: repeat with fresh salt and more time in the jar; "+
			"if it stays, the probe is worn out or polluted", ErrRefused, gain, leastGain, mostGain)
	}
	if !(math.Abs(offset) <= mostHumidityShift) {
		return fmt.Errorf("%w: offset %+.2f %%RH is more than %.0f %%RH: check that it was the right jar, that it was "+
			"closed and that the probe is dry; if it stays, replace the probe", ErrRefused, offset, mostHumidityShift)
	}
	for _, at := range [...]float64{70, 100} {
		if shift := gain*at + offset - at; math.Abs(shift) > mostHumidityShift {
			return fmt.Errorf("%w: it would move a reading of %.0f %%RH by %+.1f %%RH, more than %.0f %%RH: repeat the "+
				"points, or replace the probe", ErrRefused, at, shift, mostHumidityShift)
		}
	}
	return nil
}

// Applied are the records in force for one probe at one time; nil where there is none.
type Applied struct {
	Temperature *Correction
	Humidity    *Correction
}

// Apply returns the corrected values of a raw sample, humidity clipped to 0 to
// 100 %.
func (a Applied) Apply(s Sample) (CentiCelsius, CentiPercent) {
	t, h := s.Temperature, s.Humidity
	if c := a.Temperature; c != nil {
		t = CelsiusOf(c.Gain*t.Celsius() + c.Offset)
	}
	if c := a.Humidity; c != nil {
		h = PercentOf(c.Gain*h.Percent() + c.Offset)
	}
	return t, min(max(h, 0), 10000)
}

// Corrections is an immutable set of records, safe for concurrent use. The nil
// set corrects nothing.
type Corrections struct {
	records []Correction
	// inForce holds, for each probe and quantity, the records that are not
	// undone, the one made last first.
	inForce map[correctionKey][]*Correction
}

type correctionKey struct {
	probe    ProbeID
	quantity Quantity
}

// NewCorrections builds a set. Records that fail Check, have the ID of an earlier one or
// undo an unknown one have no effect and are named in the error, but stay among Records.
func NewCorrections(records []Correction) (*Corrections, error) {
	c := &Corrections{
		records: slices.Clone(records),
		inForce: make(map[correctionKey][]*Correction),
	}
	// In case of equal times the later entry of the list is the newer one.
	slices.SortStableFunc(c.records, func(a, b Correction) int { return a.Made.Compare(b.Made) })
	byID, faults := c.index()
	undone := make(map[string]bool)
	for i := range slices.Backward(c.records) { // an undo which is itself undone has no effect
		switch r := &c.records[i]; {
		case r.Undoes == "" || byID[r.ID] != r:
		case byID[r.Undoes] == nil:
			faults = append(faults, fmt.Errorf("correction %q is to undo %q, which is not on record", r.ID, r.Undoes))
		case !undone[r.ID]:
			undone[r.Undoes] = true
		}
	}
	for i := range slices.Backward(c.records) {
		if r := &c.records[i]; byID[r.ID] == r && r.Undoes == "" && !undone[r.ID] {
			k := correctionKey{r.Probe, r.Quantity}
			c.inForce[k] = append(c.inForce[k], r)
		}
	}
	return c, errors.Join(faults...)
}

// index finds the records that may take effect.
func (c *Corrections) index() (map[string]*Correction, []error) {
	byID := make(map[string]*Correction, len(c.records))
	var faults []error
	for i := range c.records {
		r := &c.records[i]
		if err := r.Check(); err != nil {
			faults = append(faults, err)
		} else if byID[r.ID] != nil {
			faults = append(faults, fmt.Errorf("correction %q of probe %s is there twice: the first one counts", r.ID, r.Probe))
		} else {
			byID[r.ID] = r
		}
	}
	return byID, faults
}

// At returns what is in force for probe at a wall time: of the records from
// that time or before, the one that was made last.
func (c *Corrections) At(probe ProbeID, at time.Time) Applied {
	return c.of(probe).at(at)
}

// ownCorrections are what counts for one probe, newest first; nil for nothing.
type ownCorrections struct{ temperature, humidity []*Correction }

func (c *Corrections) of(probe ProbeID) *ownCorrections {
	if c == nil || len(c.inForce) == 0 {
		return nil
	}
	f := ownCorrections{c.inForce[correctionKey{probe, Temperature}], c.inForce[correctionKey{probe, Humidity}]}
	if f.temperature == nil && f.humidity == nil {
		return nil
	}
	return &f
}

func (f *ownCorrections) at(at time.Time) Applied {
	if f == nil {
		return Applied{}
	}
	return Applied{Temperature: newest(f.temperature, at), Humidity: newest(f.humidity, at)}
}

// now is at for a reading that is being made. A clock that was not set yet is
// mostly behind, so then the record made last counts, whatever its date: without
// it a probe that reads too high would hide the floor until the board is online.
func (f *ownCorrections) now(at Instant) Applied {
	if !at.Synced {
		return f.at(time.Unix(1<<40, 0))
	}
	return f.at(at.Wall)
}

func newest(list []*Correction, at time.Time) *Correction {
	for _, r := range list {
		if !r.From.After(at) {
			return r
		}
	}
	return nil
}

// Records returns all records, undone and faulty ones too, in the order in
// which they were made.
func (c *Corrections) Records() []Correction {
	if c == nil {
		return nil
	}
	return slices.Clone(c.records)
}

// With returns a set with one record more, if that has an effect.
func (c *Corrections) With(r Correction) (*Corrections, error) {
	if err := r.Check(); err != nil {
		return c, err
	}
	records := c.Records()
	same := func(id string) bool {
		return slices.ContainsFunc(records, func(o Correction) bool { return o.ID == id })
	}
	if same(r.ID) {
		return c, fmt.Errorf("correction %q is on record already: give the new one its own id", r.ID)
	}
	if r.Undoes != "" && !same(r.Undoes) {
		return c, fmt.Errorf("correction %q cannot be undone: it is not on record", r.Undoes)
	}
	next, _ := NewCorrections(append(records, r)) // older faults were reported when c was built
	return next, nil
}

// Due returns since when a probe's quantity is due for calibration, every so often. A
// probe that was never calibrated counts from installed; with a zero installed it is due
// now.
func (c *Corrections) Due(probe ProbeID, q Quantity, every time.Duration, installed, now time.Time) time.Time {
	last := installed
	if c != nil {
		for _, r := range c.inForce[correctionKey{probe, q}] {
			if made := calibrated(r); made.After(last) {
				last = made
			}
		}
	}
	if last.IsZero() {
		return now
	}
	return last.Add(every)
}

// calibrated returns when a record's comparison was made: it may be dated back.
func calibrated(r *Correction) time.Time {
	last := r.From
	for i := range r.Points {
		if r.Points[i].At.After(last) {
			last = r.Points[i].At
		}
	}
	return last
}
