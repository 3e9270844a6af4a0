package core

import (
	"encoding/json"
	"errors"
	"fmt"

	"dewline/alert"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// drillOver returns what is kept of a drill that has just ended: its result as
// a document of its own, and a line for people in the journal.
func (p *parts) drillOver(at sensors.Instant) Effects {
	d, ok := p.desk.LastDrill()
	if !ok || !d.Done {
		return Effects{}
	}
	value, err := json.Marshal(d)
	if err != nil {
		return Effects{} // plain finite figures cannot fail
	}
	return Effects{
		Docs:   []store.Doc{{Bucket: store.BucketDrills, Key: drillKey(d), Value: value}},
		Events: []event.Event{drillOverEvent(at, &d)},
	}
}

func drillKey(d alert.DrillResult) string { return fmt.Sprintf("%020d/%s", d.At.Mono, d.Person) }

// answered notes when the newest drill that somebody answered began.
func (w *selfWatch) answered(desk *alert.Desk) {
	if d, ok := desk.LastDrill(); ok && d.Acked && d.Done {
		w.drilled = max(w.drilled, d.At.Mono)
	}
}

// resumeDrills uses what can be read; the rest is named in the error.
func (w *selfWatch) resumeDrills(desk *alert.Desk, docs []store.Doc) error {
	w.answered(desk)
	var errs error
	for _, doc := range docs {
		var d alert.DrillResult
		if err := json.Unmarshal(doc.Value, &d); err != nil {
			errs = errors.Join(errs, fmt.Errorf("read back drill %s: %w", doc.Key, err))
		} else if d.Acked {
			w.drilled = max(w.drilled, d.At.Mono)
		}
	}
	return errs
}

// drillOverdue reports whether the last acknowledged drill, or else the first
// start, is too long ago. One that nobody acknowledged has proved nothing.
func (w *selfWatch) drillOverdue(now sensors.Instant) bool {
	return w.drillEvery > 0 && now.Mono-w.drilled > w.drillEvery
}
