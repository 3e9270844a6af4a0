package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
)

// A chain is the journal.
type chain struct {
	in   *recordFile
	head journalHead // guarded by the file's lock for writing
	era  uint64      // of the file that head is of
}

// keyHead is the document with the newest entry.
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
	if k, v := tx.Bucket([]byte(rootJournal)).Cursor().Last(); len(k) == 8 && len(v) >= sha256.Size {
		h.seq = binary.BigEndian.Uint64(k)
		copy(h.hash[:], v)
	}
	return h
}

// putJournal appends events. The head in memory moves on only with the commit.
func (j *chain) putJournal(tx *bolt.Tx, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	b := tx.Bucket([]byte(rootJournal))
	b.FillPercent = 1
	if era := j.in.era.Load(); era != j.era {
		j.head, j.era = loadHead(tx), era
	}
	head := j.head
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
	tx.OnCommit(func() { j.head = head }) // still under the library's write lock
	return putDoc(tx, bucketSelf, []byte(keyHead), head.bytes())
}

// Journal yields the events with from <= wall time < to in the order they were
// written; zero times leave an end open. One that does not follow from the one
// before it, or whose names were changed, is not shown: it yields an error
// wrapping ErrTampered.
func (j *chain) Journal(from, to time.Time) iter.Seq2[event.Event, error] {
	start := func(tx *bolt.Tx) ([]byte, [sha256.Size]byte) { return []byte{}, journalStart(tx).hash }
	return j.events(start, func(e *event.Event) bool {
		return (from.IsZero() || !e.At.Wall.Before(from)) && (to.IsZero() || e.At.Wall.Before(to))
	})
}

// events yields those entries that want picks of all from a key on, which start tells with
// the hash before it.
func (j *chain) events(start func(tx *bolt.Tx) ([]byte, [sha256.Size]byte), want func(*event.Event) bool) iter.Seq2[event.Event, error] {
	return func(yield func(event.Event, error) bool) {
		var from []byte
		var before [sha256.Size]byte
		err := j.in.view(func(tx *bolt.Tx) error {
			from, before = start(tx)
			return nil
		})
		if err != nil {
			yield(event.Event{}, fmt.Errorf("read the journal: %w", err))
			return
		}
		for v, err := range j.entries(from) {
			var e event.Event
			if err == nil {
				e, err = v.parse(before)
			} else {
				err = fmt.Errorf("read the journal: %w", err)
			}
			if len(v.value) >= sha256.Size {
				copy(before[:], v.value)
			}
			if (err != nil || want(&e)) && !yield(e, err) {
				return
			}
		}
	}
}

// entries yields copies of the stored entries from a key on.
func (j *chain) entries(from []byte) iter.Seq2[stored, error] {
	return inTurns(j.in, from, func(tx *bolt.Tx, from []byte) (some []stored, next []byte) {
		defer j.in.touched(tx, 1)
		if some, next = archivedFrom(tx, from); next == nil {
			some, next = singleFrom(tx, from, docsAtATime)
		}
		return some, next
	})
}

// journalSlack is by how much entries of one moment may stand out of order:
// they are queued from several places.
const journalSlack = time.Minute

// JournalSince yields the events from a running time on, in the order they
// were written, without reading those before: running time never goes back, so
// they are in its order. It refuses entries as Journal does.
func (j *chain) JournalSince(mono time.Duration) iter.Seq2[event.Event, error] {
	start := func(tx *bolt.Tx) ([]byte, [sha256.Size]byte) { return seek(tx, mono-journalSlack) }
	return j.events(start, func(e *event.Event) bool { return e.At.Mono >= mono })
}

// seek finds the key of the first entry at or after mono, or that of the first in its
// archive, and the hash that it follows from; nil where there is none. Those by themselves
// are few.
func seek(tx *bolt.Tx, mono time.Duration) (key []byte, before [sha256.Size]byte) {
	c := tx.Bucket([]byte(rootJournal)).Cursor()
	k, v := c.First()
	if k != nil && monoOf(v) >= mono {
		h := journalStart(tx)
		if a, ok := archiveBefore(tx, mono); ok {
			h = journalHead{a.last, a.after}
		}
		return binary.BigEndian.AppendUint64(nil, h.seq+1), h.hash
	}
	for ; k != nil && monoOf(v) < mono; k, v = c.Next() {
		if len(v) >= sha256.Size {
			copy(before[:], v)
		}
	}
	return bytes.Clone(k), before
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
		if len(earlier) >= sha256.Size {
			copy(before[:], earlier)
		}
		// Its names do not matter here.
		if e, err := (&stored{value: v, beside: []byte{}}).parse(before); err == nil {
			return max(e.At.Mono, 0)
		}
		if v = earlier; v == nil {
			break
		}
	}
	return 0
}

// monoOf is the running time of a stored entry. A damaged one counts as early,
// so that those after it are found.
func monoOf(value []byte) time.Duration {
	if len(value) < sha256.Size {
		return -1 << 62
	}
	at, ok := event.At(value[sha256.Size:])
	if !ok {
		return -1 << 62
	}
	return at
}

// VerifyJournal follows the chain from the first entry to the last and returns
// how many entries it found whole. The error wraps ErrTampered and names the
// first entry that does not follow from the one before, or the first of its archive.
// Older ones may be gone only if a later entry says that they were let go of.
func (j *chain) VerifyJournal() (entries int, err error) {
	var start uint64
	err = j.in.view(func(tx *bolt.Tx) error {
		start = journalStart(tx).seq
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("read the journal: %w", err)
	}
	at, letGo := start, uint64(0)
	for e, err := range j.Journal(time.Time{}, time.Time{}) {
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
	return entries, j.verifyHead()
}

// verifyHead compares the end of the chain with the head kept apart.
func (j *chain) verifyHead() error {
	return j.in.view(func(tx *bolt.Tx) error {
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
