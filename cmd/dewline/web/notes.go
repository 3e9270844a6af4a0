package web

import (
	"encoding/json"
	"fmt"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/store"
)

// notes returns the notes of an enclosure, or of all where it is empty, that
// were written within [from, to), oldest first.
func (s *Site) notes(enclosure string, from, to time.Time) ([]core.Note, error) {
	st := s.room.Store()
	if st == nil {
		return nil, ErrNoRecord
	}
	var out []core.Note
	for doc, err := range st.Docs(store.BucketNotes) {
		if err != nil {
			return out, err
		}
		var n core.Note
		if err := json.Unmarshal(doc.Value, &n); err != nil {
			return out, fmt.Errorf("read note %s: %w", doc.Key, err)
		}
		if (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to) {
			out = append(out, n)
		}
	}
	return out, nil
}

// drills returns the results of the drills that ended within [from, to),
// oldest first.
func (s *Site) drills(from, to time.Time) ([]alert.DrillResult, error) {
	st := s.room.Store()
	if st == nil {
		return nil, ErrNoRecord
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
