package store

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
)

const keyHead = "journal"

// loadHead returns where the chain goes on from: the kept head, or the last
// entry where that is missing or damaged.
func loadHead(tx *bolt.Tx) journalHead {
	if v, err := getDoc(tx, bucketSelf, []byte(keyHead)); err == nil {
		if h, ok := parseHead(v); ok {
			return h
		}
	}
	return lastOf(tx)
}

// lastOf is the last entry that is there.
func lastOf(tx *bolt.Tx) journalHead {
	h := beforeSingle(tx)
	if k, v := tx.Bucket([]byte(rootJournal)).Cursor().Last(); len(k) == 8 {
		h.seq = binary.BigEndian.Uint64(k)
		copy(h.hash[:], v)
	}
	return h
}

func putJournal(tx *bolt.Tx, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	b := tx.Bucket([]byte(rootJournal))
	b.FillPercent = 1
	head := loadHead(tx)
	for _, e := range events {
		e.Seq = head.seq + 1
		key := binary.BigEndian.AppendUint64(nil, e.Seq)
		beside, err := putBeside(tx, key, e.Beside)
		if err != nil {
			return fmt.Errorf("event %d: %w", e.Seq, err)
		}
		text, err := event.Encode(&e, beside)
		if err != nil {
			return err
		}
		head = journalHead{seq: e.Seq, hash: chained(head.hash, text)}
		if err := b.Put(key, append(head.hash[:], text...)); err != nil {
			return err
		}
	}
	return putDoc(tx, bucketSelf, []byte(keyHead), head.bytes())
}

// Journal yields the events with from <= wall time < to in the order they were
// written; zero times leave an end open. One that does not follow from the one
// before it, or whose names were changed, is not shown: it yields an error
// wrapping ErrTampered.
func (r *recordFile) Journal(from, to time.Time) iter.Seq2[event.Event, error] {
	return r.events(math.MinInt64, func(e *event.Event) bool {
		return (from.IsZero() || !e.At.Wall.Before(from)) && (to.IsZero() || e.At.Wall.Before(to))
	})
}

// events yields those entries that want picks of all from the archive on that may have one of
// a running time.
func (r *recordFile) events(since time.Duration, want func(*event.Event) bool) iter.Seq2[event.Event, error] {
	return func(yield func(event.Event, error) bool) {
		var at journalHead
		err := r.view(func(tx *bolt.Tx) error {
			at = journalStart(tx)
			if a, ok := archiveBefore(tx, since); ok {
				at = journalHead{a.last, a.after}
			}
			return nil
		})
		if err != nil {
			yield(event.Event{}, fmt.Errorf("read the journal: %w", err))
			return
		}
		before := at.hash
		for v, err := range r.entries(binary.BigEndian.AppendUint64(nil, at.seq+1)) {
			var e event.Event
			if err == nil {
				e, err = v.parse(before)
			}
			copy(before[:], v.value)
			if (err != nil || want(&e)) && !yield(e, err) {
				return
			}
		}
	}
}

// entries yields copies of the stored entries from a key on.
func (r *recordFile) entries(from []byte) iter.Seq2[stored, error] {
	return inTurns(r, "the journal", from, func(tx *bolt.Tx, from []byte) (some []stored, next []byte) {
		defer r.touched(tx, 1)
		if some, next = archivedFrom(tx, from); next == nil {
			some, next = singleFrom(tx, from, docsAtATime)
		}
		return some, next
	})
}

// journalSlack is by how much entries of one moment may stand out of order:
// they are queued from several places.
const journalSlack = time.Minute

// JournalSince yields the events from a running time on, in the order they were written,
// without reading the archives before: running time never goes back, so they are in its
// order. It refuses entries as Journal does.
func (r *recordFile) JournalSince(mono time.Duration) iter.Seq2[event.Event, error] {
	return r.events(mono-journalSlack, func(e *event.Event) bool { return e.At.Mono >= mono })
}

// lastEntry is the running time of the newest entry that follows from the one before
// it, 0 where there is none: a damaged one may name any, and old readings are let go
// of by their age in running time.
func lastEntry(tx *bolt.Tx) time.Duration {
	c := tx.Bucket([]byte(rootJournal)).Cursor()
	_, v := c.Last()
	for range docsAtATime { // of a journal that is damaged, not all at every start
		var before [sha256.Size]byte
		_, earlier := c.Prev()
		copy(before[:], earlier)
		// Its names do not matter here.
		if e, err := (&stored{value: v, beside: []byte{}}).parse(before); err == nil {
			return max(e.At.Mono, 0)
		}
		v = earlier // nil before the first, which stands for no event
	}
	return 0
}

// VerifyJournal follows the chain from the first entry to the last and returns
// how many entries it found whole. The error wraps ErrTampered and names the
// first entry that does not follow from the one before, or the first of its archive.
// Older ones may be gone only if a later entry says that they were let go of.
func (r *recordFile) VerifyJournal() (entries int, err error) {
	var start uint64
	err = r.view(func(tx *bolt.Tx) error {
		start = journalStart(tx).seq
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("read the journal: %w", err)
	}
	at, letGo := start, uint64(0)
	for e, err := range r.Journal(time.Time{}, time.Time{}) {
		if err == nil && e.Seq != at+1 {
			err = fmt.Errorf("%w: entry %d is missing", ErrTampered, at+1)
		}
		if err != nil {
			return entries, err
		}
		at, entries = e.Seq, entries+1
		if told, ok := e.Body.(event.Record); ok && told.Until > 0 {
			letGo = told.Until
		}
	}
	if letGo != start {
		return entries, fmt.Errorf("%w: the entries up to %d are gone, and those up to %d were let go of", ErrTampered, start, letGo)
	}
	return entries, r.verifyHead()
}

// verifyHead compares the end of the chain with the head kept apart.
func (r *recordFile) verifyHead() error {
	return r.view(func(tx *bolt.Tx) error {
		end := lastOf(tx)
		v, err := getDoc(tx, bucketSelf, []byte(keyHead))
		if err != nil && !errors.Is(err, errNoDoc) {
			return fmt.Errorf("read the journal's head: %w", err)
		}
		if head, _ := parseHead(v); head != end {
			return fmt.Errorf("%w: it ends at entry %d and should at %d", ErrTampered, end.seq, head.seq)
		}
		return nil
	})
}
