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

// loadHead returns where the chain goes on from: the kept head, or the last
// entry where that is missing or damaged.
func loadHead(tx *bolt.Tx) journalHead {
	if v, err := getDoc(tx, bucketSelf, []byte("journal")); err == nil {
		if h, ok := parseHead(v); ok {
			return h
		}
	}
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
	return putDoc(tx, bucketSelf, []byte("journal"), head.bytes())
}

// Journal yields the events with from <= wall time < to in the order they were
// written; zero times leave an end open. One that does not follow from the one
// before it, or whose names were changed, is not shown: it yields an error
// wrapping ErrTampered.
func (j *chain) Journal(from, to time.Time) iter.Seq2[event.Event, error] {
	return func(yield func(event.Event, error) bool) {
		start, err := j.start()
		if err != nil {
			yield(event.Event{}, err)
			return
		}
		j.eachEntry([]byte{}, &start.hash, func(e event.Event, err error) bool {
			if err == nil && ((!from.IsZero() && e.At.Wall.Before(from)) || (!to.IsZero() && !e.At.Wall.Before(to))) {
				return true
			}
			return yield(e, err)
		})
	}
}

// eachEntry reads the events from a key on, the first of which has to follow
// from the hash before.
func (j *chain) eachEntry(from []byte, before *[sha256.Size]byte, yield func(event.Event, error) bool) {
	j.eachStored(from, func(v stored) bool {
		e, err := v.parse(*before)
		if len(v.value) >= sha256.Size {
			copy(before[:], v.value)
		}
		return yield(e, err)
	}, func(err error) { yield(event.Event{}, err) })
}

// eachStored visits copies of the stored entries from a key on, some per read
// transaction.
func (j *chain) eachStored(from []byte, visit func(stored) bool, fail func(error)) {
	for from != nil {
		var some []stored
		start := from
		from = nil
		err := j.in.view(func(tx *bolt.Tx) error {
			if some, from = archivedFrom(tx, start); from == nil {
				some, from = singleFrom(tx, start, docsAtATime)
			}
			j.in.touched(tx, 1)
			return nil
		})
		if err != nil {
			fail(fmt.Errorf("read the journal: %w", err))
			return
		}
		for _, v := range some {
			if !visit(v) {
				return
			}
		}
	}
}

// start is the last entry that was let go of, or nothing.
func (j *chain) start() (h journalHead, err error) {
	err = j.in.view(func(tx *bolt.Tx) error {
		h = journalStart(tx)
		return nil
	})
	if err != nil {
		return h, fmt.Errorf("read the journal: %w", err)
	}
	return h, nil
}

// journalSlack is by how much entries of one moment may stand out of order:
// they are queued from several places.
const journalSlack = time.Minute

// JournalSince yields the events from a running time on, in the order they
// were written, without reading those before: running time never goes back, so
// they are in its order. It refuses entries as Journal does.
func (j *chain) JournalSince(mono time.Duration) iter.Seq2[event.Event, error] {
	return func(yield func(event.Event, error) bool) {
		from, before, err := j.seek(mono - journalSlack)
		if err != nil {
			yield(event.Event{}, fmt.Errorf("read the journal: %w", err))
			return
		}
		j.eachEntry(from, &before, func(e event.Event, err error) bool {
			return err == nil && e.At.Mono < mono || yield(e, err)
		})
	}
}

// seek finds the key of the first entry at or after mono, or that of the first in its
// archive, and the hash that it follows from; nil where there is none. Those by themselves
// are few.
func (j *chain) seek(mono time.Duration) (key []byte, before [sha256.Size]byte, err error) {
	err = j.in.view(func(tx *bolt.Tx) error {
		c := tx.Bucket([]byte(rootJournal)).Cursor()
		first := true
		for k, v := c.First(); k != nil; k, v = c.Next() {
			if monoOf(v) >= mono {
				key = bytes.Clone(k)
				break
			}
			first = false
			if len(v) >= sha256.Size {
				copy(before[:], v)
			}
		}
		if first && key != nil {
			h := journalStart(tx)
			if a, ok := archiveBefore(tx, mono); ok {
				h = journalHead{a.last, a.after}
			}
			key, before = binary.BigEndian.AppendUint64(nil, h.seq+1), h.hash
		}
		return nil
	})
	return key, before, err
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
	start, err := j.start()
	if err != nil {
		return 0, err
	}
	at, letGo := start, uint64(0)
	var bad error
	j.eachStored([]byte{}, func(v stored) bool {
		if len(v.key) != 8 || binary.BigEndian.Uint64(v.key) != at.seq+1 {
			bad = fmt.Errorf("%w: entry %d is missing", ErrTampered, at.seq+1)
			return false
		}
		e, err := v.parse(at.hash)
		if err == nil && e.Seq != at.seq+1 {
			err = fmt.Errorf("%w: entry %d says that it is %d", ErrTampered, at.seq+1, e.Seq)
		}
		if bad = err; bad != nil {
			return false
		}
		at.seq++
		copy(at.hash[:], v.value)
		entries++
		if told, ok := e.Body.(event.Record); ok && told.Until > 0 {
			letGo = told.Until
		}
		return true
	}, func(err error) { bad = err })
	if bad == nil && letGo != start.seq {
		bad = fmt.Errorf("%w: the entries up to %d are gone, and those up to %d were let go of", ErrTampered, start.seq, letGo)
	}
	if bad != nil {
		return entries, bad
	}
	return entries, j.verifyHead(at)
}

// verifyHead compares the end of the chain with the head kept apart.
func (j *chain) verifyHead(end journalHead) error {
	var head journalHead
	err := j.in.view(func(tx *bolt.Tx) error {
		v, err := getDoc(tx, bucketSelf, []byte("journal"))
		if errors.Is(err, errNoDoc) {
			return nil
		}
		head, _ = parseHead(v)
		return err
	})
	if err != nil {
		return fmt.Errorf("read the journal's head: %w", err)
	}
	if head != end {
		return fmt.Errorf("%w: it ends at entry %d and should at %d", ErrTampered, end.seq, head.seq)
	}
	return nil
}
