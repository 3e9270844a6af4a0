package store

import (
	"context"
	"errors"
	"fmt"
	"iter"

	bolt "go.etcd.io/bbolt"
	boltErrors "go.etcd.io/bbolt/errors"
)

// Commit writes documents, journal entries and state at once, in one
// transaction that is on the disk when it returns without an error. After an
// error it may be there or not; to commit again is safe, though a journal entry
// may then be there twice.
func (s *Store) Commit(c Commit) error {
	if err := c.check(); err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	if err := s.reattachNow(); err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	write := func() error { return s.update(func(tx *bolt.Tx) error { return s.putCommit(tx, c) }) }
	err := write()
	if errors.Is(err, boltErrors.ErrMaxSizeReached) {
		err = s.commitWithRoom(write)
	}
	if err != nil {
		return fmt.Errorf("commit to the record: %w", err)
	}
	if c.State != nil {
		s.lastSum.Store(0)
	}
	return nil
}

// check refuses documents that nothing could find again.
func (c *Commit) check() error {
	for _, d := range c.Docs {
		if d.Bucket == 0 || d.Bucket >= bucketEnd || d.Key == "" || len(d.Key) > 1024 {
			return fmt.Errorf("no document can be kept under kind %d, key %q", d.Bucket, d.Key)
		}
	}
	return nil
}

// commitWithRoom makes room for a commit at the cost of the oldest readings. It
// waits for a flush that is at work, as that may be making room too.
func (s *Store) commitWithRoom(write func() error) error {
	s.flushing <- struct{}{}
	defer func() { <-s.flushing }()
	return s.withRoom(write)
}

// putCommit writes all of a commit inside tx.
func (s *Store) putCommit(tx *bolt.Tx, c Commit) error {
	for _, d := range c.Docs {
		if err := putDoc(tx, d.Bucket, []byte(d.Key), d.Value); err != nil {
			return err
		}
	}
	if err := s.putJournal(tx, c.Journal); err != nil {
		return err
	}
	if c.State != nil {
		return putDoc(tx, bucketState, []byte("engine"), c.State)
	}
	return nil
}

// reattachNow is reattach for those who do not hold the flushing token: when a
// flush is at work, opening the file is left to it.
func (s *Store) reattachNow() error {
	if s.current() != nil {
		return nil
	}
	select {
	case s.flushing <- struct{}{}:
	default:
		return ErrUnavailable
	}
	defer func() { <-s.flushing }()
	ctx, cancel := context.WithTimeout(context.Background(), openLimit)
	defer cancel()
	err := s.reattach(ctx)
	if err != nil {
		s.failed(err)
	}
	return err
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
	keep := tx.Bucket([]byte(rootKeep))
	if keep == nil {
		return badf("bucket %s is missing", rootKeep)
	}
	b, err := keep.CreateBucketIfNotExists([]byte{byte(bucket)})
	if err != nil {
		return err
	}
	if value == nil {
		return b.Delete(key)
	}
	return b.Put(key, envelope(bucket, key, value))
}

// errNoDoc says that there is no such document.
var errNoDoc = errors.New("no such document")

// getDoc returns a document, which aliases the file.
func getDoc(tx *bolt.Tx, bucket Bucket, key []byte) ([]byte, error) {
	b := docBucket(tx, bucket)
	if b == nil {
		return nil, errNoDoc
	}
	v := b.Get(key)
	if v == nil {
		return nil, errNoDoc
	}
	return openEnvelope(bucket, key, v)
}

// Get returns one document, nil where there is none.
func (s *Store) Get(b Bucket, key string) ([]byte, error) {
	var out []byte
	err := s.view(func(tx *bolt.Tx) error {
		v, err := getDoc(tx, b, []byte(key))
		if errors.Is(err, errNoDoc) {
			return nil
		}
		out = append([]byte{}, v...)
		return err
	})
	if err != nil {
		s.damagedIf(err)
		return nil, fmt.Errorf("read document %q: %w", key, err)
	}
	return out, nil
}

// damagedIf counts err if it tells of a damaged record.
func (s *Store) damagedIf(err error) {
	if errors.Is(err, ErrDamaged) {
		s.damagedRecord(err)
	}
}

// State returns the engine's state as last written, nil where there is none.
func (s *Store) State() ([]byte, error) {
	return s.Get(bucketState, "engine")
}

// docsAtATime bounds how many documents one read transaction copies out.
const docsAtATime = 256

// Docs yields the documents of one kind in order of their keys. A damaged one
// yields an error wrapping ErrDamaged, and those after it still follow.
func (s *Store) Docs(b Bucket) iter.Seq2[Doc, error] {
	return func(yield func(Doc, error) bool) {
		var from []byte
		for {
			docs, errs, next, err := s.someDocs(b, from)
			if err != nil {
				yield(Doc{}, fmt.Errorf("read documents: %w", err))
				return
			}
			for _, err := range errs {
				s.damagedIf(err)
				if !yield(Doc{}, err) {
					return
				}
			}
			for _, d := range docs {
				if !yield(d, nil) {
					return
				}
			}
			if next == nil {
				return
			}
			from = next
		}
	}
}

// someDocs copies out documents from a key on, and the key to go on from.
func (s *Store) someDocs(b Bucket, from []byte) (docs []Doc, errs []error, next []byte, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		bucket := docBucket(tx, b)
		if bucket == nil {
			return nil
		}
		c := bucket.Cursor()
		k, v := c.Seek(from)
		for ; k != nil && len(docs)+len(errs) < docsAtATime; k, v = c.Next() {
			value, err := openEnvelope(b, k, v)
			if err != nil {
				errs = append(errs, err)
				continue
			}
			docs = append(docs, Doc{Bucket: b, Key: string(k), Value: append([]byte{}, value...)})
		}
		if k != nil {
			next = append([]byte{}, k...)
		}
		return nil
	})
	return docs, errs, next, err
}
