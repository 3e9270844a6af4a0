package page

import (
	"errors"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
)

// lookBack is how long before a stretch of time alarms are looked for that go
// on into it. Older ones are still open and known from the snapshot.
const lookBack = 2 * 24 * time.Hour

// onsets reads the alarms that keep lets through and that were not over before
// from, oldest first.
func onsets(rec Record, snap *alert.Snapshot, from time.Time, keep func(alarm.Key) bool) ([]*alarm.Past, error) {
	before := from.Add(-lookBack)
	var out []*alarm.Past
	for _, a := range snap.Alarms {
		if a.Active && a.Since.Wall.Before(before) && keep(a.Key) {
			out = append(out, &alarm.Past{Key: a.Key, From: a.Since, By: a.AckedBy, Priority: a.Priority})
		}
	}
	log := alarm.History{Middle: true}
	var errs error
	for e, err := range rec.JournalSince(runningAt(snap, before)) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if a, ok := e.Body.(event.Alarm); ok && keep(alarm.Key{Alarm: alarm.ID(a.Alarm), Subject: a.Subject}) {
			log.Take(&e)
		}
	}
	out = append(out, log.Onsets...)
	return slices.DeleteFunc(out, func(o *alarm.Past) bool { return !o.To.IsZero() && o.To.Wall.Before(from) }), errs
}

// ofEnclosure returns which alarms are about an enclosure or its probes.
func ofEnclosure(cfg *configs.Config, id string) func(alarm.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k alarm.Key) bool { return subjects[k.Subject] }
}
