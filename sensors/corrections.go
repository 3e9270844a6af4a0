package sensors

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

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
	undone, more := c.undone(byID)
	for i := len(c.records) - 1; i >= 0; i-- {
		r := &c.records[i]
		if byID[r.ID] != r || r.Undoes != "" || undone[r.ID] {
			continue
		}
		k := correctionKey{r.Probe, r.Quantity}
		c.inForce[k] = append(c.inForce[k], r)
	}
	return c, errors.Join(append(faults, more...)...)
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

// undone resolves the undos from the newest to the oldest, so that an undo
// which is itself undone has no effect.
func (c *Corrections) undone(byID map[string]*Correction) (map[string]bool, []error) {
	undone := make(map[string]bool)
	var faults []error
	for i := len(c.records) - 1; i >= 0; i-- {
		r := &c.records[i]
		if r.Undoes == "" || byID[r.ID] != r {
			continue
		}
		if byID[r.Undoes] == nil {
			faults = append(faults, fmt.Errorf("correction %q is to undo %q, which is not on record", r.ID, r.Undoes))
			continue
		}
		if !undone[r.ID] {
			undone[r.Undoes] = true
		}
	}
	return undone, faults
}

// At returns what is in force for probe at a wall time: of the records from
// that time or before, the one that was made last.
func (c *Corrections) At(probe ProbeID, at time.Time) Applied {
	return c.of(probe).at(at)
}

// ownCorrections are what counts for one probe, newest first; nil for nothing.
type ownCorrections struct{ temperature, humidity []*Correction }

// of returns what counts for one probe.
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

// Overdue reports since when a probe's quantity is due for calibration, every
// so often, and whether that is past at now. A probe that was never calibrated
// counts from installed; with a zero installed it is due at once.
func (c *Corrections) Overdue(probe ProbeID, q Quantity, every time.Duration, installed, now time.Time) (due time.Time, overdue bool) {
	last := installed
	if c != nil {
		for _, r := range c.inForce[correctionKey{probe, q}] {
			if made := calibrated(r); made.After(last) {
				last = made
			}
		}
	}
	if last.IsZero() {
		return now, true
	}
	due = last.Add(every)
	return due, !now.Before(due)
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
