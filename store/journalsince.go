package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"iter"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
)

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

// seek finds, by halving, the key of the first entry at or after mono, or that of the
// first in its archive, and the hash that it follows from; nil where there is none.
func (j *chain) seek(mono time.Duration) (key []byte, before [sha256.Size]byte, err error) {
	err = j.in.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(rootJournal))
		if b == nil {
			return badf("bucket %s is missing", rootJournal)
		}
		c := b.Cursor()
		first, _ := c.First()
		last, _ := c.Last()
		if len(first) != 8 || len(last) != 8 {
			return nil
		}
		if _, v := c.First(); monoOf(v) >= mono {
			h := journalStart(tx)
			if a, ok := archiveBefore(tx, mono); ok {
				h = journalHead{a.last, a.after}
			}
			key, before = binary.BigEndian.AppendUint64(nil, h.seq+1), h.hash
			return nil
		}
		low, high := binary.BigEndian.Uint64(first), binary.BigEndian.Uint64(last)+1
		for low < high {
			mid := low + (high-low)/2
			if _, v := c.Seek(binary.BigEndian.AppendUint64(nil, mid)); monoOf(v) < mono {
				low = mid + 1
			} else {
				high = mid
			}
		}
		k, _ := c.Seek(binary.BigEndian.AppendUint64(nil, low))
		if k == nil {
			return nil
		}
		key = bytes.Clone(k)
		if k, v := c.Prev(); k != nil && len(v) >= sha256.Size {
			copy(before[:], v)
		}
		return nil
	})
	return key, before, err
}

// lastEntry is the running time of the newest entry that follows from the one before
// it, 0 where there is none: a damaged one may name any, and old readings are let go
// of by their age in running time.
func lastEntry(tx *bolt.Tx) time.Duration {
	b := tx.Bucket([]byte(rootJournal))
	if b == nil {
		return 0
	}
	c := b.Cursor()
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
