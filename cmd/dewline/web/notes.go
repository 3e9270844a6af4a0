package web

import (
	"encoding/json"
	"errors"
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
	return collect(st, store.BucketNotes, func(n *core.Note) bool {
		return (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to)
	})
}

// drills returns the results of the drills that ended within [from, to),
// oldest first.
func (s *Site) drills(from, to time.Time) ([]alert.DrillResult, error) {
	st := s.room.Store()
	if st == nil {
		return nil, ErrNoRecord
	}
	return collect(st, store.BucketDrills, func(r *alert.DrillResult) bool {
		return !r.At.Wall.Before(from) && r.At.Wall.Before(to)
	})
}

// collect returns the documents that are wanted. What is damaged hides no other:
// it is named in the error, beside what was found.
func collect[T any](st *store.Store, b store.Bucket, wanted func(*T) bool) ([]T, error) {
	out := []T{}
	var errs error
	for doc, err := range st.Docs(b) {
		var v T
		if err == nil {
			if err = json.Unmarshal(doc.Value, &v); err != nil {
				err = fmt.Errorf("read document %s: %w", doc.Key, err)
			}
		}
		if err != nil {
			errs = errors.Join(errs, err)
		} else if wanted(&v) {
			out = append(out, v)
		}
	}
	return out, errs
}
