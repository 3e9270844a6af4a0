package page

import (
	"errors"
	"slices"
	"time"

	"dewline/alert"
	"dewline/alert/chart"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
)

// An onset is one alarm of the past, from the journal.
type onset struct {
	key      rules.Key
	from, to time.Time // to is zero while it is not over
	acked    time.Time
	by       string
	priority string // the highest it had; empty in old entries
}

// lookBack is how long before a stretch of time alarms are looked for that go
// on into it. Older ones are still open and known from the snapshot.
const lookBack = 2 * 24 * time.Hour

// onsets reads the alarms that keep lets through and that were not over before
// from, oldest first.
func onsets(rec Record, snap *alert.Snapshot, from time.Time, keep func(rules.Key) bool) ([]*onset, error) {
	out := openSince(snap, from.Add(-lookBack), keep)
	byID := map[string]*onset{}
	var errs error
	for e, err := range rec.JournalSince(runningAt(snap, from.Add(-lookBack))) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		a, ok := e.Body.(event.Alarm)
		key := rules.Key{Alarm: rules.AlarmID(a.Alarm), Subject: a.Subject}
		if !ok || !keep(key) {
			continue
		}
		o := byID[a.ID()]
		if o == nil {
			o = &onset{key: key, from: e.At.Wall}
			byID[a.ID()], out = o, append(out, o)
		}
		o.take(&e, a)
	}
	return slices.DeleteFunc(out, func(o *onset) bool { return !o.to.IsZero() && o.to.Before(from) }), errs
}

// openSince returns the alarms that have been open since before a moment.
func openSince(snap *alert.Snapshot, before time.Time, keep func(rules.Key) bool) []*onset {
	var out []*onset
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		if a.Active && a.Since.Wall.Before(before) && keep(a.Key) {
			out = append(out, &onset{key: a.Key, from: a.Since.Wall, by: a.AckedBy, priority: a.Priority.String()})
		}
	}
	return out
}

// take follows one step of the alarm's life.
func (o *onset) take(e *event.Event, a event.Alarm) {
	if o.priority == "" || a.Priority == rules.Wake.String() {
		o.priority = a.Priority
	}
	switch a.To {
	case alarm.Norm.String(), alarm.RTNUN.String(), alarm.LatchUnack.String(), alarm.LatchAck.String():
		if o.to.IsZero() {
			o.to = e.At.Wall
		}
	case alarm.Unack.String(), alarm.Acked.String():
		o.to = time.Time{} // it came back before anybody answered
	}
	answered := a.To == alarm.Acked.String() || a.To == alarm.LatchAck.String() ||
		a.To == alarm.Norm.String() && a.From == alarm.RTNUN.String() && e.By != ""
	if answered && o.acked.IsZero() {
		o.acked, o.by = e.At.Wall, e.By
	}
}

// markKind is how an alarm is drawn; false for what is not worth a mark.
func (o *onset) markKind() (chart.MarkKind, bool) {
	switch o.priority {
	case rules.Wake.String():
		return chart.Wake, true
	case rules.Note.String():
		return 0, false
	}
	return chart.Today, true
}

// ofEnclosure returns which alarms are about an enclosure or its probes.
func ofEnclosure(cfg *configs.Config, id string) func(rules.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k rules.Key) bool { return subjects[k.Subject] }
}
