package store

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store/block"
)

const (
	archiveOf  = 256  // entries that one archive takes
	keptSingle = 1024 // the newest entries that stay by themselves
)

// An archive holds a run of old journal entries in a bucket of its own, under its name:
// magic, name, the hash before its first entry and that of its last, a checksum over all
// but itself, then the entries packed. Their own hashes are made again from their texts,
// and have to end at the last.
type archive struct {
	first, last   uint64        // sequence numbers
	until         time.Duration // running time of the newest
	before, after [sha256.Size]byte
}

const (
	archiveMagic = "dwJ1"
	archiveName  = 3 * 8
	archiveHead  = len(archiveMagic) + archiveName + 2*sha256.Size
)

// name sorts by age.
func (a *archive) name() []byte {
	b := binary.BigEndian.AppendUint64(make([]byte, 0, archiveName), a.first)
	b = binary.BigEndian.AppendUint64(b, a.last)
	return binary.BigEndian.AppendUint64(b, uint64(a.until))
}

func namedArchive(name []byte) (a archive, ok bool) {
	if len(name) != archiveName {
		return a, false
	}
	a.first, a.last = binary.BigEndian.Uint64(name), binary.BigEndian.Uint64(name[8:])
	a.until = time.Duration(binary.BigEndian.Uint64(name[16:]))
	return a, a.first <= a.last
}

func (a *archive) entries() int { return int(a.last - a.first + 1) }

// readArchive reads the head of an archive and checks its sum.
func readArchive(b []byte) (archive, error) {
	if len(b) < archiveHead+4 || string(b[:len(archiveMagic)]) != archiveMagic ||
		binary.LittleEndian.Uint32(b[archiveHead:]) != archiveSum(b) {
		return archive{}, fmt.Errorf("%w: an archive of the journal", ErrDamaged)
	}
	a, ok := namedArchive(b[len(archiveMagic):][:archiveName])
	if !ok {
		return archive{}, fmt.Errorf("%w: name of an archive of the journal", ErrDamaged)
	}
	copy(a.before[:], b[len(archiveMagic)+archiveName:])
	copy(a.after[:], b[archiveHead-sha256.Size:])
	return a, nil
}

func archiveSum(b []byte) uint32 {
	return block.Checksum(b[:archiveHead])*31 ^ block.Checksum(b[archiveHead+4:])
}

// bytes packs an archive of entries, which follow from its hash before.
func (a *archive) bytes(entries []stored) ([]byte, error) {
	b := append(append([]byte(archiveMagic), a.name()...), a.before[:]...)
	out := bytes.NewBuffer(append(append(b, a.after[:]...), 0, 0, 0, 0))
	z, err := flate.NewWriter(out, flate.DefaultCompression)
	if err != nil {
		return nil, err
	}
	var plain []byte
	for _, v := range entries {
		text := v.value[sha256.Size:]
		plain = append(binary.AppendUvarint(plain, uint64(len(text))), text...)
		beside := uint64(0) // nothing stood beside it
		if v.beside != nil {
			beside = uint64(len(v.beside)) + 1
		}
		plain = append(binary.AppendUvarint(plain, beside), v.beside...)
	}
	_, err = z.Write(plain)
	if err = errors.Join(err, z.Close()); err != nil {
		return nil, err
	}
	b = out.Bytes()
	binary.LittleEndian.PutUint32(b[archiveHead:], archiveSum(b))
	return b, nil
}

// unpackArchive returns the entries of an archive, each with the hash that its text and
// those before it give.
func unpackArchive(b []byte) (a archive, entries []stored, err error) {
	if a, err = readArchive(b); err != nil {
		return a, nil, err
	}
	plain, err := io.ReadAll(flate.NewReader(bytes.NewReader(b[archiveHead+4:])))
	if err != nil {
		return a, nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	hash, r := a.before, dirReader{b: plain}
	for seq := a.first; seq <= a.last && !r.bad; seq++ {
		text := r.bytes(r.uvarint())
		v := stored{key: binary.BigEndian.AppendUint64(nil, seq)}
		if n := r.uvarint(); n > 0 {
			v.beside = r.bytes(n - 1)
		}
		hash = chained(hash, text)
		v.value = append(hash[:len(hash):len(hash)], text...)
		entries = append(entries, v)
	}
	if r.bad || r.at != len(plain) || hash != a.after {
		return a, nil, fmt.Errorf("%w: entries %d to %d", ErrTampered, a.first, a.last)
	}
	return a, entries, nil
}

// archivedFrom returns the entries of the archive that holds the one at a key, or of the
// first after it, from there on, and the key after them; none where it is not archived.
func archivedFrom(tx *bolt.Tx, from []byte) (some []stored, next []byte) {
	b := tx.Bucket([]byte(rootArchive))
	seq := uint64(0)
	if len(from) == 8 {
		seq = binary.BigEndian.Uint64(from)
	}
	var name []byte
	var named archive
	c := b.Cursor()
	for k, _ := c.First(); k != nil && name == nil; k, _ = c.Next() {
		if a, ok := namedArchive(k); ok && seq <= a.last {
			name, named = k, a
		}
	}
	if name == nil {
		return nil, nil
	}
	next = binary.BigEndian.AppendUint64(nil, named.last+1)
	a, some, err := unpackArchive(bucketValue(b.Bucket(name)))
	if err == nil && !bytes.Equal(a.name(), name) {
		err = errors.New("its name is another's")
	}
	if err != nil {
		lost := fmt.Errorf("%w: entries %d to %d: %w", ErrTampered, named.first, named.last, err)
		return []stored{{key: bytes.Clone(name[:8]), bad: lost}}, next
	}
	return slices.DeleteFunc(some, func(v stored) bool { return bytes.Compare(v.key, from) < 0 }), next
}

// archiveBefore returns the newest archive whose entries are all from before a running
// time; false where none is.
func archiveBefore(tx *bolt.Tx, mono time.Duration) (archive, bool) {
	b := tx.Bucket([]byte(rootArchive))
	c := b.Cursor()
	for name, _ := c.Last(); name != nil; name, _ = c.Prev() {
		if named, ok := namedArchive(name); ok && named.until < mono {
			a, err := readArchive(bucketValue(b.Bucket(name)))
			return a, err == nil
		}
	}
	return archive{}, false
}

// beforeSingle is what the first entry that is not archived has to follow from.
func beforeSingle(tx *bolt.Tx) journalHead {
	if a, ok := archiveBefore(tx, 1<<63-1); ok {
		return journalHead{a.last, a.after}
	}
	return journalStart(tx)
}

// journalStart is the last entry that was let go of, or nothing.
func journalStart(tx *bolt.Tx) journalHead {
	v, err := getDoc(tx, bucketSelf, []byte(keyJournalStart))
	if err != nil {
		return journalHead{}
	}
	h, _ := parseHead(v)
	return h
}

// keyJournalStart is the document with the last entry that was let go of.
const keyJournalStart = "journal-start"

// An archiving moves old entries into an archive, or lets go of the oldest archive.
type archiving struct {
	archive
	packed []byte // nil to let go
	name   []byte
}

// planArchive finds entries that are to be archived, or an archive past its age. Where
// the chain is broken nothing is archived any more: the entries stay as they are found.
func (r *recordFile) planArchive(now time.Duration) (p *archiving, err error) {
	err = r.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(rootArchive))
		name, _ := b.Cursor().First()
		keep := r.kept.Load().KeepJournal
		if a, ok := namedArchive(name); ok && keep > 0 && now-a.until > keep {
			if a, err = readArchive(bucketValue(b.Bucket(name))); err == nil {
				p = &archiving{archive: a, name: bytes.Clone(name)}
				return nil
			}
		}
		p, err = packOldest(tx)
		return err
	})
	return p, err
}

// packOldest packs the oldest entries, where there are many.
func packOldest(tx *bolt.Tx) (*archiving, error) {
	c := tx.Bucket([]byte(rootJournal)).Cursor()
	first, _ := c.First()
	last, _ := c.Last()
	if len(first) != 8 || len(last) != 8 || binary.BigEndian.Uint64(last)-binary.BigEndian.Uint64(first) < archiveOf+keptSingle {
		return nil, nil
	}
	at := beforeSingle(tx)
	p := &archiving{archive: archive{first: at.seq + 1, before: at.hash}}
	some, _ := singleFrom(tx, first, archiveOf)
	for i := range some {
		e, err := some[i].parse(at.hash)
		if err != nil || e.Seq != at.seq+1 || entryNumber(some[i].key) != fmt.Sprint(e.Seq) {
			return nil, nil
		}
		p.until = max(p.until, e.At.Mono)
		at = journalHead{e.Seq, [sha256.Size]byte(some[i].value)}
	}
	p.last, p.after = at.seq, at.hash
	p.name = p.archive.name()
	var err error
	p.packed, err = p.bytes(some)
	return p, err
}

// put writes the archive and takes its entries out, or takes the archive out.
func (p *archiving) put(tx *bolt.Tx) error {
	if p.packed == nil {
		return errors.Join(dropBundle(tx, rootArchive, p.name),
			putDoc(tx, bucketSelf, []byte(keyJournalStart), journalHead{p.last, p.after}.bytes()))
	}
	b := tx.Bucket([]byte(rootJournal))
	for seq := p.first; seq <= p.last; seq++ {
		key := binary.BigEndian.AppendUint64(nil, seq)
		if err := errors.Join(b.Delete(key), putDoc(tx, bucketBeside, key, nil)); err != nil {
			return err
		}
	}
	return putBundle(tx, rootArchive, p.name, p.packed)
}

// told is the entry that says which ones were let go of: without it the beginning of the
// journal could be cut off unseen.
func (p *archiving) told(at sensors.Instant) event.Event {
	return event.New(at, event.Record{Act: "let go", Until: p.last, Why: "older than [store] keep_journal",
		What: fmt.Sprintf("lines up to %d of the journal", p.last)})
}
