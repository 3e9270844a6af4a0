package web

import (
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"dewline/alert/wire"
	"dewline/cmd/dewline/core"
	"dewline/store"
)

// notesOf returns the notes of an enclosure, or of all where it is empty, that
// were written within [from, to), oldest first.
func notesOf(st *store.Store, enclosure string, from, to time.Time) ([]wire.Note, error) {
	notes, err := collect(st, store.BucketNotes, func(n *core.Note) bool {
		return (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to)
	})
	out := make([]wire.Note, len(notes))
	for i, n := range notes {
		out[i] = wire.NoteOf(n.At, n.Enclosure, n.By, n.Text)
	}
	return out, err
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
