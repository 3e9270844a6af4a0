package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"strconv"
	"time"

	bolt "go.etcd.io/bbolt"
)

// A journal value is the SHA-256 of the hash before it and the entry's JSON,
// then that JSON. The newest hash is kept a second time among the store's own
// documents, so that cutting the end off shows as well.
type journalHead struct {
	seq  uint64
	hash [sha256.Size]byte
}

// ErrTampered says that the journal is not as it was written.
var ErrTampered = errors.New("the journal has been changed or damaged")

// bytes is the head as kept: sequence number, eight bytes, big-endian, then the hash.
func (h journalHead) bytes() []byte {
	return append(binary.BigEndian.AppendUint64(nil, h.seq), h.hash[:]...)
}

func parseHead(b []byte) (h journalHead, ok bool) {
	if len(b) != 8+sha256.Size {
		return h, false
	}
	h.seq = binary.BigEndian.Uint64(b)
	copy(h.hash[:], b[8:])
	return h, true
}

// loadHead returns where the chain goes on from: the kept head, or the last
// entry where that is missing or damaged.
func loadHead(tx *bolt.Tx) (journalHead, error) {
	if v, err := getDoc(tx, bucketSelf, []byte("journal")); err == nil {
		if h, ok := parseHead(v); ok {
			return h, nil
		}
	}
	var h journalHead
	b := tx.Bucket([]byte(rootJournal))
	if b == nil {
		return h, badf("bucket %s is missing", rootJournal)
	}
	if k, v := b.Cursor().Last(); len(k) == 8 && len(v) >= sha256.Size {
		h.seq = binary.BigEndian.Uint64(k)
		copy(h.hash[:], v)
	}
	return h, nil
}

// putJournal appends entries. The head in memory moves on only with the commit.
func (s *Store) putJournal(tx *bolt.Tx, entries []JournalEntry) error {
	if len(entries) == 0 {
		return nil
	}
	b := tx.Bucket([]byte(rootJournal))
	if b == nil {
		return badf("bucket %s is missing", rootJournal)
	}
	b.FillPercent = 1
	head := s.head
	for _, e := range entries {
		e.Seq = head.seq + 1
		text, err := json.Marshal(e)
		if err != nil {
			return fmt.Errorf("journal entry %q: %w", e.Kind, err)
		}
		head = journalHead{seq: e.Seq, hash: chain(head.hash, text)}
		if err := b.Put(binary.BigEndian.AppendUint64(nil, e.Seq), append(head.hash[:], text...)); err != nil {
			return err
		}
	}
	tx.OnCommit(func() { s.head = head }) // still under the library's write lock
	return putDoc(tx, bucketSelf, []byte("journal"), head.bytes())
}

// chain is the hash of an entry's text that follows an entry with the hash before.
func chain(before [sha256.Size]byte, text []byte) (out [sha256.Size]byte) {
	h := sha256.New()
	h.Write(before[:])
	h.Write(text)
	h.Sum(out[:0])
	return out
}

// Journal yields the entries with from <= wall time < to in the order they were
// written; zero times leave an end open. An entry that does not follow from the
// one before it is not shown: it yields an error wrapping ErrTampered.
func (s *Store) Journal(from, to time.Time) iter.Seq2[JournalEntry, error] {
	return func(yield func(JournalEntry, error) bool) {
		var before [sha256.Size]byte
		s.eachJournal(func(key, value []byte) bool {
			var e JournalEntry
			bad := fmt.Errorf("%w: entry %s", ErrTampered, entryNumber(key))
			if len(value) < sha256.Size {
				return yield(e, bad)
			}
			follows := chain(before, value[sha256.Size:]) == [sha256.Size]byte(value)
			copy(before[:], value)
			if !follows || json.Unmarshal(value[sha256.Size:], &e) != nil {
				return yield(JournalEntry{}, bad)
			}
			if (!from.IsZero() && e.At.Wall.Before(from)) || (!to.IsZero() && !e.At.Wall.Before(to)) {
				return true
			}
			return yield(e, nil)
		}, func(err error) { yield(JournalEntry{}, err) })
	}
}

// entryNumber is an entry's key as a person may be told it.
func entryNumber(key []byte) string {
	if len(key) != 8 {
		return fmt.Sprintf("%x", key)
	}
	return strconv.FormatUint(binary.BigEndian.Uint64(key), 10)
}

// eachJournal visits copies of the stored entries, some per read transaction.
func (s *Store) eachJournal(visit func(key, value []byte) bool, fail func(error)) {
	s.eachJournalFrom([]byte{}, visit, fail)
}

// eachJournalFrom is eachJournal from a key on.
func (s *Store) eachJournalFrom(from []byte, visit func(key, value []byte) bool, fail func(error)) {
	type pair struct{ k, v []byte }
	for from != nil {
		var some []pair
		start := from
		from = nil
		err := s.view(func(tx *bolt.Tx) error {
			b := tx.Bucket([]byte(rootJournal))
			if b == nil {
				return badf("bucket %s is missing", rootJournal)
			}
			c := b.Cursor()
			k, v := c.Seek(start)
			for ; k != nil && len(some) < docsAtATime; k, v = c.Next() {
				some = append(some, pair{bytes.Clone(k), bytes.Clone(v)})
			}
			from = bytes.Clone(k)
			return nil
		})
		if err != nil {
			fail(fmt.Errorf("read the journal: %w", err))
			return
		}
		for _, p := range some {
			if !visit(p.k, p.v) {
				return
			}
		}
	}
}

// VerifyJournal follows the chain from the first entry to the last and returns
// how many entries it found whole. The error wraps ErrTampered and names the
// first entry that does not follow from the one before.
func (s *Store) VerifyJournal() (entries int, err error) {
	var at journalHead
	var bad error
	s.eachJournal(func(key, value []byte) bool {
		switch {
		case len(key) != 8 || binary.BigEndian.Uint64(key) != at.seq+1:
			bad = fmt.Errorf("%w: entry %d is missing", ErrTampered, at.seq+1)
		case len(value) < sha256.Size || chain(at.hash, value[sha256.Size:]) != [sha256.Size]byte(value[:sha256.Size]):
			bad = fmt.Errorf("%w: entry %d does not follow from the one before it", ErrTampered, at.seq+1)
		default:
			at.seq++
			copy(at.hash[:], value)
			entries++
			return true
		}
		return false
	}, func(err error) { bad = err })
	if bad != nil {
		return entries, bad
	}
	return entries, s.verifyHead(at)
}

// verifyHead compares the end of the chain with the head kept apart.
func (s *Store) verifyHead(end journalHead) error {
	var head journalHead
	err := s.view(func(tx *bolt.Tx) error {
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
