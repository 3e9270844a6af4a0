package daemon

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/sensors"
	"dewline/store"
)

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
		Docs: []store.Doc{{Bucket: store.BucketDrills, Key: drillKey(d), Value: value}},
		Journal: []store.JournalEntry{{
			At: at, Kind: "drill-result", Who: d.AckedBy, Subject: d.ID, New: drillWords(d), Why: "for " + d.Person,
		}},
	}
}

// drillKey orders drills by when they began.
func drillKey(d alert.DrillResult) string { return fmt.Sprintf("%020d/%s", d.At.Mono, d.Person) }

// drillWords says how fast a drill went.
func drillWords(d alert.DrillResult) string {
	var parts []string
	for _, channel := range slices.Sorted(maps.Keys(d.Taken)) {
		parts = append(parts, fmt.Sprintf("%s after %.1f s", channel, d.Taken[channel]))
	}
	if len(parts) == 0 {
		parts = append(parts, "no channel took it over")
	}
	if d.Acked {
		return fmt.Sprintf("%s; acknowledged after %.1f s", strings.Join(parts, ", "), d.AckedIn)
	}
	return strings.Join(parts, ", ") + "; nobody acknowledged it"
}

// resumeDrills finds out when a drill was last acknowledged.
func (c *Core) resumeDrills(docs []store.Doc) error {
	if d, ok := c.desk.LastDrill(); ok && d.Acked {
		c.self.drilled = d.At.Mono
	}
	for _, doc := range docs {
		var d alert.DrillResult
		if err := json.Unmarshal(doc.Value, &d); err != nil {
			return fmt.Errorf("read back drill %s: %w", doc.Key, err)
		}
		if d.Acked {
			c.self.drilled = max(c.self.drilled, d.At.Mono)
		}
	}
	return nil
}

// drillOverdue reports whether the last acknowledged drill, or else the first
// start, is too long ago. One that nobody acknowledged has proved nothing.
func (c *Core) drillOverdue(now sensors.Instant) bool {
	return c.self.drillEvery > 0 && now.Mono-c.self.drilled > c.self.drillEvery
}

// Drills returns the results of the drills that ended within [from, to),
// oldest first.
func (d *Daemon) Drills(from, to time.Time) ([]alert.DrillResult, error) {
	st := d.currentStore()
	if st == nil {
		return nil, errNoRecord
	}
	out := []alert.DrillResult{}
	for doc, err := range st.Docs(store.BucketDrills) {
		if err != nil {
			return out, err
		}
		var r alert.DrillResult
		if err := json.Unmarshal(doc.Value, &r); err != nil {
			return out, fmt.Errorf("read drill %s: %w", doc.Key, err)
		}
		if !r.At.Wall.Before(from) && r.At.Wall.Before(to) {
			out = append(out, r)
		}
	}
	return out, nil
}
