package web

import (
	"errors"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/store"
)

// notesOf returns the notes of an enclosure, or of all where it is empty, that
// were written within [from, to), oldest first.
func notesOf(st *store.Store, enclosure string, from, to time.Time) ([]wire.Note, error) {
	notes, err := collect(st, store.BucketNotes, func(n *alert.Note) bool {
		return (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to)
	})
	return wire.NotesOf(notes), err
}

// collect returns the documents that are wanted. What is damaged hides no other:
// it is named in the error, beside what was found.
func collect[T any](st *store.Store, b store.Bucket, wanted func(*T) bool) ([]T, error) {
	out := []T{}
	var errs error
	for v, err := range store.Decode[T](st.Docs(b)) {
		if err != nil {
			errs = errors.Join(errs, err)
		} else if wanted(&v) {
			out = append(out, v)
		}
	}
	return out, errs
}
