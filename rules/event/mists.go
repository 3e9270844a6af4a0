package event

import "time"

// At is when a mist was, or was due.
func (m *Mist) At() time.Time {
	if m.Start.IsZero() {
		return m.Due
	}
	return m.Start
}

// Mists are one line for each pulse of an enclosure and for each mist that was due.
type Mists []Mist

// Take adds an event. A pulse belongs to the mist that it answered; of two verdicts
// on one mist, as after a crash, the first that says something stands.
func (all *Mists) Take(m Mist) {
	for i := range *all {
		had := &(*all)[i]
		due := !m.Due.IsZero() && m.Due.Equal(had.Due)
		pulse := !m.Start.IsZero() && m.Start.Equal(had.Start) && (m.Due.IsZero() || had.Due.IsZero())
		if !due && !pulse {
			continue
		}
		if m.Verdict != MistUnclear && !m.Due.IsZero() && (had.Due.IsZero() || had.Verdict == MistUnclear) {
			*had = m
		}
		return
	}
	*all = append(*all, m)
}
