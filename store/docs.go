package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"strings"

	bolt "go.etcd.io/bbolt"
)

// check refuses documents that nothing could find again.
func (c *Commit) check() error {
	for _, d := range c.Docs {
		if d.Bucket == 0 || d.Bucket >= bucketEnd || d.Key == "" || len(d.Key) > 1024 {
			return fmt.Errorf("no document can be kept under kind %d, key %q", d.Bucket, d.Key)
		}
	}
	return nil
}

// docBucket returns the bucket of a kind of document, nil when none was kept.
func docBucket(tx *bolt.Tx, b Bucket) *bolt.Bucket {
	keep := tx.Bucket([]byte(rootKeep))
	if keep == nil {
		return nil
	}
	return keep.Bucket([]byte{byte(b)})
}

// putDoc stores a document, or deletes it where value is nil.
func putDoc(tx *bolt.Tx, bucket Bucket, key, value []byte) error {
	b, err := tx.Bucket([]byte(rootKeep)).CreateBucketIfNotExists([]byte{byte(bucket)})
	if err != nil {
		return err
	}
	if value == nil {
		return b.Delete(key)
	}
	return b.Put(key, envelope(bucket, key, value))
}

var errNoDoc = errors.New("no such document")

// getDoc returns a document, which aliases the file.
func getDoc(tx *bolt.Tx, bucket Bucket, key []byte) ([]byte, error) {
	if b := docBucket(tx, bucket); b != nil {
		if v := b.Get(key); v != nil {
			return openEnvelope(bucket, key, v)
		}
	}
	return nil, errNoDoc
}

// Get returns one document, nil where there is none.
func (r *recordFile) Get(b Bucket, key string) ([]byte, error) {
	var out []byte
	err := r.view(func(tx *bolt.Tx) error {
		v, err := getDoc(tx, b, []byte(key))
		if errors.Is(err, errNoDoc) {
			return nil
		}
		out = append([]byte{}, v...)
		return err
	})
	if err != nil {
		r.damagedIf(err)
		return nil, fmt.Errorf("read document %q: %w", key, err)
	}
	return out, nil
}

const keyState = "engine"

// State returns the engine's state as last written, nil where there is none.
func (r *recordFile) State() ([]byte, error) { return r.Get(bucketState, keyState) }

// docsAtATime bounds how many documents one read transaction copies out.
const docsAtATime = 256

// inTurns yields what read copies out of what it is called, some per read transaction, from
// a key on; read returns the key of the next, nil for none.
func inTurns[T any](r *recordFile, called string, from []byte, read func(tx *bolt.Tx, from []byte) ([]T, []byte)) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for next := from; next != nil; {
			var some []T
			err := r.view(func(tx *bolt.Tx) error {
				some, next = read(tx, next)
				return nil
			})
			if err != nil {
				var none T
				yield(none, fmt.Errorf("read %s: %w", called, err))
				return
			}
			for _, one := range some {
				if !yield(one, nil) {
					return
				}
			}
		}
	}
}

// Docs yields the documents of one kind in order of their keys. A damaged one
// yields an error wrapping ErrDamaged, and those after it still follow.
func (r *recordFile) Docs(b Bucket) iter.Seq2[Doc, error] {
	type read struct {
		Doc
		err error
	}
	some := inTurns(r, "documents", []byte{}, func(tx *bolt.Tx, from []byte) (some []read, next []byte) {
		bucket := docBucket(tx, b)
		if bucket == nil {
			return nil, nil
		}
		c := bucket.Cursor()
		k, v := c.Seek(from)
		for ; k != nil && len(some) < docsAtATime; k, v = c.Next() {
			value, err := openEnvelope(b, k, v)
			d := read{err: err}
			if err == nil {
				d.Doc = Doc{Bucket: b, Key: string(k), Value: append([]byte{}, value...)}
			}
			some = append(some, d)
		}
		return some, bytes.Clone(k)
	})
	return func(yield func(Doc, error) bool) {
		for d, err := range some {
			if r.damagedIf(d.err); !yield(d.Doc, cmp.Or(err, d.err)) {
				return
			}
		}
	}
}

// allRoots are the buckets that every record has.
func allRoots() [5]string { return [...]string{rootKeep, rootJournal, rootArchive, rootRaw, rootTable} }

// emptyRecord lays out a new file.
func emptyRecord(tx *bolt.Tx) error {
	for _, name := range allRoots() {
		if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
			return err
		}
	}
	return putSchema(tx, schema)
}

func putSchema(tx *bolt.Tx, n int) error {
	for _, key := range strings.Fields(schemaKeys) {
		if err := putDoc(tx, bucketSelf, []byte(key), []byte(strconv.Itoa(n))); err != nil {
			return err
		}
	}
	return nil
}

// The layout's number is kept twice: without it the file could not be used.
const schemaKeys = "schema schema-again"
