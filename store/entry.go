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
	"strconv"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
)

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
