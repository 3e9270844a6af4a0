package daemon

import (
	"time"

	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// actionEntry is the journal's line for a person's action, with the state before
// and the one after; the alarms that moved with it have lines of their own.
func actionEntry(now sensors.Instant, a rules.Action, ts []rules.Transition) store.JournalEntry {
	e := store.JournalEntry{
		At: now, Kind: string(a.Kind), Who: a.By, Subject: string(a.Key.Alarm) + "/" + a.Key.Subject, Why: a.Why,
	}
	switch a.Kind {
	case rules.TakeOut:
		e.Old, e.New = "in service", "out of service"
	case rules.ReturnToService:
		e.Old, e.New = "out of service", "in service"
	default:
		for _, t := range ts {
			if t.Key == a.Key {
				e.Old, e.New = t.From.String(), t.To.String()
			}
		}
	}
	switch {
	case a.For > 0:
		e.New += " for " + a.For.String()
	case !a.Until.IsZero():
		e.New += " until " + a.Until.UTC().Format(time.RFC3339)
	}
	if a.OneShot {
		e.New += ", once"
	}
	return e
}
