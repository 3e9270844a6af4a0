package store

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"strconv"
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

// A journal value is the SHA-256 of the hash before it and the event's JSON,
// then that JSON. The newest hash is kept a second time among the store's own
// documents, so that cutting the end off shows as well. Names and free text are
// a document of their own, of which the JSON holds the hash: it can be erased, by
// an empty one in its place, and the chain still holds, but not be changed or lost.
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
	b := tx.Bucket([]byte(rootJournal))
	if b == nil {
		return journalHead{}, badf("bucket %s is missing", rootJournal)
	}
	h := beforeSingle(tx)
	if k, v := b.Cursor().Last(); len(k) == 8 && len(v) >= sha256.Size {
		h.seq = binary.BigEndian.Uint64(k)
		copy(h.hash[:], v)
	}
	return h, nil
}

// putJournal appends events. The head in memory moves on only with the commit.
func (j *chain) putJournal(tx *bolt.Tx, events []event.Event) error {
	if len(events) == 0 {
		return nil
	}
	b := tx.Bucket([]byte(rootJournal))
	if b == nil {
		return badf("bucket %s is missing", rootJournal)
	}
	b.FillPercent = 1
	if era := j.in.era.Load(); era != j.era {
		var err error
		if j.head, err = loadHead(tx); err != nil {
			return err
		}
		j.era = era
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

// beside is what stands beside the chain. The salt keeps an erased name from being
// found by guessing it.
type beside struct {
	Salt []byte `json:"salt"`
	event.Beside
}

// putBeside keeps names and free text, if any, and returns their hash.
func putBeside(tx *bolt.Tx, key []byte, names event.Beside) (hash string, err error) {
	if names == (event.Beside{}) {
		return "", nil
	}
	b := beside{Salt: make([]byte, 16), Beside: names}
	_, _ = rand.Read(b.Salt) // never fails, crypto/rand
	text, err := json.Marshal(b)
	if err != nil {
		return "", err
	}
	return besideHash(text), putDoc(tx, bucketBeside, key, text)
}

func besideHash(text []byte) string {
	h := sha256.Sum256(text)
	return base64.RawURLEncoding.EncodeToString(h[:])
}

// chained is the hash of an entry's text that follows an entry with the hash before.
func chained(before [sha256.Size]byte, text []byte) (out [sha256.Size]byte) {
	h := sha256.New()
	h.Write(before[:])
	h.Write(text)
	h.Sum(out[:0])
	return out
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

// A stored entry is copied out of the file.
type stored struct {
	key, value []byte // no value where the archive that it was in is damaged
	beside     []byte // nil for none, empty for erased
	bad        error  // of what is beside it, or of the archive
}

// parse reads an entry that has to follow from the hash before it.
func (v *stored) parse(before [sha256.Size]byte) (event.Event, error) {
	if v.value == nil {
		return event.Event{}, v.bad
	}
	bad := fmt.Errorf("%w: entry %s", ErrTampered, entryNumber(v.key))
	if len(v.value) < sha256.Size || chained(before, v.value[sha256.Size:]) != [sha256.Size]byte(v.value) {
		return event.Event{}, bad
	}
	e, hash, err := event.Decode(v.value[sha256.Size:])
	switch {
	case err != nil:
		return event.Event{}, fmt.Errorf("%w: %w", bad, err)
	case v.bad == nil && v.beside == nil && hash == "": // nothing was beside it
		return e, nil
	case v.bad == nil && v.beside != nil && len(v.beside) == 0: // it was erased
		return e, nil
	case v.bad != nil || v.beside == nil || besideHash(v.beside) != hash:
		return event.Event{}, fmt.Errorf("%w: the names or the text of it", bad)
	}
	var b beside
	if err := json.Unmarshal(v.beside, &b); err != nil {
		return event.Event{}, fmt.Errorf("%w: %w", bad, err)
	}
	e.Beside = b.Beside
	return e, nil
}

// entryNumber is an entry's key as a person may be told it.
func entryNumber(key []byte) string {
	if len(key) != 8 {
		return fmt.Sprintf("%x", key)
	}
	return strconv.FormatUint(binary.BigEndian.Uint64(key), 10)
}

// eachStored visits copies of the stored entries from a key on, some per read
// transaction.
func (j *chain) eachStored(from []byte, visit func(stored) bool, fail func(error)) {
	for from != nil {
		var some []stored
		start := from
		from = nil
		err := j.in.view(func(tx *bolt.Tx) error {
			if tx.Bucket([]byte(rootJournal)) == nil {
				return badf("bucket %s is missing", rootJournal)
			}
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

// singleFrom copies out so many entries that are not archived from a key on, and the key
// of the next.
func singleFrom(tx *bolt.Tx, from []byte, most int) (some []stored, next []byte) {
	c := tx.Bucket([]byte(rootJournal)).Cursor()
	k, v := c.Seek(from)
	for ; k != nil && len(some) < most; k, v = c.Next() {
		one := stored{key: bytes.Clone(k), value: append([]byte{}, v...)}
		text, err := getDoc(tx, bucketBeside, k)
		if !errors.Is(err, errNoDoc) {
			one.beside, one.bad = append([]byte{}, text...), err
		}
		some = append(some, one)
	}
	return some, bytes.Clone(k)
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
