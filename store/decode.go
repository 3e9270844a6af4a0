package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"
)

// Good yields what could be read, and tells bad why the rest could not.
func Good[T any](all iter.Seq2[T, error], bad func(error)) iter.Seq[T] {
	return func(yield func(T) bool) {
		for v, err := range all {
			if err != nil {
				bad(err)
			} else if !yield(v) {
				return
			}
		}
	}
}

// JoinTo returns what joins errors to those in to.
func JoinTo(to *error) func(error) {
	return func(err error) { *to = errors.Join(*to, err) }
}

// Decode yields what the documents hold. What is damaged hides no other: it is an
// error in its place, which names it.
func Decode[T any](docs iter.Seq2[Doc, error]) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for doc, err := range docs {
			var v T
			if err == nil {
				if err = json.Unmarshal(doc.Value, &v); err != nil {
					err = fmt.Errorf("read document %s: %w", doc.Key, err)
				}
			}
			if !yield(v, err) {
				return
			}
		}
	}
}
