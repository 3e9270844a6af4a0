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
	var found event.Mists
	dries := map[int64]*event.DryDown{} // by the start of their pulse
	for e, err := range rec.JournalSince(runningAt(snap, from)) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		switch b := e.Body.(type) {
		case event.Mist:
			if b.Enclosure == enclosure {
				found.Take(b)
			}
		case event.DryDown:
			if b.Enclosure == enclosure {
				dries[b.Start.UnixNano()] = &b
			}
		case event.Night:
			if b.Enclosure == enclosure && !e.At.Wall.Before(from) {
				nights = append(nights, night{e.At.Wall, b})
			}
		}
	}
	for _, m := range found {
		if !m.At().Before(from) {
			mists = append(mists, mist{m, dries[m.Start.UnixNano()]})
		}
	}
	slices.SortStableFunc(mists, func(a, b mist) int { return a.At().Compare(b.At()) })
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

// A night is one lamp cycle that ended.
type night struct {
	ended time.Time
	event.Night
}
