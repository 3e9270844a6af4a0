package page

import (
	"errors"
	"slices"
	"time"

	"dewline/alert"
	"dewline/rules/event"
)

// logOf reads what the log says of one enclosure's mists, dry-downs and nights
// since a moment, in order.
func logOf(rec Record, snap *alert.Snapshot, enclosure string, from time.Time) (mists []mist, nights []night, errs error) {
	for e, err := range rec.JournalSince(runningAt(snap, from)) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		switch b := e.Body.(type) {
		case event.Mist:
			if b.Enclosure == enclosure {
				mists = addMist(mists, b)
			}
		case event.DryDown:
			i := slices.IndexFunc(mists, func(m mist) bool { return m.Start.Equal(b.Start) })
			if b.Enclosure == enclosure && i >= 0 {
				mists[i].dry = &b
			}
		case event.Night:
			if b.Enclosure == enclosure && !e.At.Wall.Before(from) {
				nights = append(nights, night{e.At.Wall, b})
			}
		}
	}
	mists = slices.DeleteFunc(mists, func(m mist) bool { return m.at().Before(from) })
	slices.SortStableFunc(mists, func(a, b mist) int { return a.at().Compare(b.at()) })
	return mists, nights, errs
}

// runningAt is a running time that is no later than a moment: it stands still
// while the board is off.
func runningAt(snap *alert.Snapshot, at time.Time) time.Duration {
	return snap.At.Mono - snap.At.Wall.Sub(at)
}

// A mist is one line about a pulse or about what was due, and how it dried.
type mist struct {
	event.Mist
	dry *event.DryDown // nil while it dries
}

func (m *mist) at() time.Time {
	if m.Start.IsZero() {
		return m.Due
	}
	return m.Start
}

// addMist keeps one line for a pulse: that of the mist that it answered, where
// there is one; and of two verdicts, as after a crash, the one that says something.
func addMist(all []mist, m event.Mist) []mist {
	for i := range all {
		had := &all[i]
		same := !m.Start.IsZero() && m.Start.Equal(had.Start)
		if !same && (m.Due.IsZero() || !m.Due.Equal(had.Due)) {
			continue
		}
		if !m.Due.IsZero() && m.Verdict != event.MistUnclear {
			had.Mist = m
		}
		return all
	}
	return append(all, mist{Mist: m})
}

// A night is one lamp cycle that ended.
type night struct {
	ended time.Time
	event.Night
}
