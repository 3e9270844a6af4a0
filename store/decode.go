package store

import (
	"encoding/json"
	"fmt"
	"iter"
)

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
