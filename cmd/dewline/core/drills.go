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

// Drill sends a test notice to a person, "" for the first, and returns its id.
func (c *Core) Drill(now sensors.Instant, person, by string) (string, Effects, error) {
	id, fx, err := c.desk.NewDrill(now, person)
	if err != nil {
		return "", Effects{}, fmt.Errorf("drill: %w", err)
	}
	e := c.desked(fx)
	e.Events = append(e.Events, drillEvent(now, by, person, id))
	return id, e, nil
}

// drillOver returns what is kept of a drill that has just ended: its result as
// a document of its own, and a line for people in the journal.
func (c *Core) drillOver(at sensors.Instant) Effects {
	d, ok := c.desk.LastDrill()
	if !ok || !d.Done {
		return Effects{}
	}
	if d.Acked {
		c.self.drilled = max(c.self.drilled, d.At.Mono)
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

// drillKey orders drills by when they began.
func drillKey(d alert.DrillResult) string { return fmt.Sprintf("%020d/%s", d.At.Mono, d.Person) }

// resumeDrills finds out when a drill was last acknowledged. What cannot be read
// is named in the error and the rest is used.
func (w *selfWatch) resumeDrills(desk *alert.Desk, docs []store.Doc) error {
	if d, ok := desk.LastDrill(); ok && d.Acked {
		w.drilled = d.At.Mono
	}
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
