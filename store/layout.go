package store

import (
	"bytes"
	"crypto/subtle"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"syscall"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// The file, in bbolt's terms:
//
//	keep   bucket of buckets, one per kind of document; values are enveloped
//	jrnl   sequence number → event, chained by hash: the newest
//	jold   one bucket per archive of older events
//	raw    one bucket per bundle of readings, named by its key
//	tab    one bucket per bundle of rollups, named like the readings it sums up
//	slot   pages that batches of the open hour are written to in place: see slots.go
//	gen    which of them count
//	p…     one bucket per some batches, once there is no slot for them
//
// A bundle has a bucket to itself because bbolt rewrites whole leaf pages: a
// neighbour would be written again with it.
const (
	rootKeep    = "keep"
	rootJournal = "jrnl"
	rootArchive = "jold"
	rootRaw     = "raw"
	rootTable   = "tab"
	rootSlots   = "slot"
	rootGen     = "gen"
	prefixPart  = 'p'
	prefixRow   = 'r' // parts in layouts before 4
)

const (
	hourMillis = 3_600_000
	dayMillis  = 24 * hourMillis
)

// valueKey is the only key of the bucket of a bundle, a part or the slots.
const valueKey = "b"

// pageSize is fixed: the library's default follows the kernel's, and a file
// must be readable on the next board.
const pageSize = 4096

// What the library puts in front of things.
const (
	pageHeader = 16 // id u64, flags u16, count u16, overflow u32
	elemSize   = 16 // of leaf and branch elements alike
	// besideValue is what the first page of a bucket with one value has in front of that.
	besideValue = pageHeader + elemSize + len(valueKey)
)

// Kinds of documents that are the store's own.
const (
	bucketSelf Bucket = 0x80 + iota
	bucketProbes
	bucketState
	bucketBeside // names and free text of the journal, by sequence number
)

// schema is the layout written by this version. In layout 1 blocks had no levels, and
// rollups were all stored; in 2 the journal had no archives; in 3 there were no slots; in 4
// blocks had no divisors.
const schema = 5

// ErrDamaged says that a record's checksum was wrong, so it was not served.
var ErrDamaged = errors.New("a record is damaged")

// envelope puts a checksum over bucket, key and value in front of the value, so
// that neither a flipped bit nor a record under a wrong key passes.
func envelope(b Bucket, key, value []byte) []byte {
	out := make([]byte, 5, 5+len(value))
	out[4] = byte(b)
	out = append(out, value...)
	binary.LittleEndian.PutUint32(out, envelopeSum(key, out[4:]))
	return out
}

// envelopeSum mixes the sums of key and value unevenly, so that the two exchanged do not
// give the same.
func envelopeSum(key, rest []byte) uint32 {
	return block.Checksum(rest)*31 ^ block.Checksum(key)
}

// open returns the value inside an envelope. It aliases b.
func openEnvelope(bucket Bucket, key, b []byte) ([]byte, error) {
	if len(b) < 5 || Bucket(b[4]) != bucket || binary.LittleEndian.Uint32(b) != envelopeSum(key, b[4:]) {
		return nil, fmt.Errorf("%w: document %q of kind %d", ErrDamaged, key, bucket)
	}
	return b[5:], nil
}

// A span of readings on disk or sealed in memory, told by its key.
type bundleKey struct {
	seq              uint64 // order of recording; what is joined takes the last one's
	level            uint8  // from levelHour to levelMost
	wallMin, wallMax int64  // milliseconds
	monoMin, monoMax int64
}

const (
	levelHour = 1 // or some, of one day
	levelDay  = 2
	levelMost = 4 // up to 16 days of slow probes, and 3 is up to 4
	keyLen    = 8 + 1 + 4*8 + 4
)

// bytes is the key as a bucket's name, keyLen bytes: big-endian, so that names sort by
// sequence number.
func (k bundleKey) bytes() []byte {
	b := binary.BigEndian.AppendUint64(make([]byte, 0, keyLen), k.seq)
	b = append(b, k.level)
	for _, v := range [...]int64{k.wallMin, k.wallMax, k.monoMin, k.monoMax} {
		b = binary.BigEndian.AppendUint64(b, uint64(v))
	}
	return binary.BigEndian.AppendUint32(b, block.Checksum(b))
}

// parseKey reads a bundle's key; false where it is none, or damaged.
func parseKey(b []byte) (k bundleKey, ok bool) {
	if len(b) != keyLen || binary.BigEndian.Uint32(b[keyLen-4:]) != block.Checksum(b[:keyLen-4]) {
		return k, false
	}
	k.seq, k.level = binary.BigEndian.Uint64(b), b[8]
	for i, p := range [...]*int64{&k.wallMin, &k.wallMax, &k.monoMin, &k.monoMax} {
		*p = int64(binary.BigEndian.Uint64(b[9+8*i:]))
	}
	return k, true
}

// String is the key as a person may be told it: the span of its readings.
func (k bundleKey) String() string {
	const form = "2006-01-02 15:04"
	return time.UnixMilli(k.wallMin).UTC().Format(form) + " to " + time.UnixMilli(k.wallMax).UTC().Format(form) + " UTC"
}

// cover widens the key's ranges to hold a record.
func (k *bundleKey) cover(mono, wall int64) {
	k.wallMin, k.wallMax = min(k.wallMin, wall), max(k.wallMax, wall)
	k.monoMin, k.monoMax = min(k.monoMin, mono), max(k.monoMax, mono)
}

// emptyKey spans nothing: the first record that it covers sets all its ends.
func emptyKey(seq uint64, level uint8) bundleKey {
	return bundleKey{seq: seq, level: level, wallMin: math.MaxInt64, wallMax: math.MinInt64,
		monoMin: math.MaxInt64, monoMax: math.MinInt64}
}

// A bundle is: magic, kind, its key, count, then for each probe its name and the
// lengths of its blocks, a checksum over all that, and the blocks. The key and
// the names are inside so that a bundle found loose on a damaged card can be
// salvaged.
const (
	bundleMagic = "dwB1"
	kindRaw     = 'R'
	kindTable   = 'T'
)

// A bundlePart is what one probe has in a bundle: one block of readings, or a
// block of rollups per level.
type bundlePart struct {
	probe  string
	blocks [][]byte
}

// bundleStart is where the count of probes is.
const bundleStart = len(bundleMagic) + 1 + keyLen

// isBundle reports whether b begins as a bundle does.
func isBundle(b []byte) bool {
	return len(b) > bundleStart && string(b[:len(bundleMagic)]) == bundleMagic &&
		(b[len(bundleMagic)] == kindRaw || b[len(bundleMagic)] == kindTable)
}

// bundleBegins is what a bundle in a root, under that name, begins with.
func bundleBegins(root string, key []byte) []byte {
	kind := byte(kindRaw)
	if root == rootTable {
		kind = kindTable
	}
	return append(append([]byte(bundleMagic), kind), key...)
}

// bundleHead returns the key of a bundle, wherever it was found, and in which root it belongs.
func bundleHead(b []byte) (k bundleKey, root string, err error) {
	if !isBundle(b) {
		return k, "", fmt.Errorf("%w: bundle of %d bytes", ErrDamaged, len(b))
	}
	root = rootRaw
	if b[len(bundleMagic)] == kindTable {
		root = rootTable
	}
	k, ok := parseKey(b[len(bundleMagic)+1 : bundleStart])
	if !ok {
		err = fmt.Errorf("%w: name of a bundle of %s", ErrDamaged, held(root))
	}
	return k, root, err
}

func newBundle(root string, key []byte, parts []bundlePart) []byte {
	dst := bundleBegins(root, key)
	dst = binary.AppendUvarint(dst, uint64(len(parts)))
	for _, p := range parts {
		dst = append(binary.AppendUvarint(dst, uint64(len(p.probe))), p.probe...)
		dst = append(dst, byte(len(p.blocks)))
		for _, b := range p.blocks {
			dst = binary.AppendUvarint(dst, uint64(len(b)))
		}
	}
	dst = binary.LittleEndian.AppendUint32(dst, block.Checksum(dst))
	for _, p := range parts {
		for _, b := range p.blocks {
			dst = append(dst, b...)
		}
	}
	k, ok := parseKey(key)
	if ok && root == rootRaw && (k.level > levelDay || k.level == levelDay && len(dst) >= worthSpare) {
		return withSpare(dst)
	}
	return dst
}

// worthSpare is from which size on a day has a spare: all of a smaller one is a day's
// readings of slow probes, and the page would be a large part of it.
const worthSpare = 16 * pageSize

// A bundle of readings of some days, or of a large one, has a spare: its last page is the
// sum of all others, bit by bit without carry, so that any one that the card has lost can
// be made again. Which one that is tell the checksums of the directory and the blocks. What
// is in front of the bundle on its first page is the library's, and counts as zeros.

// withSpare adds the spare to a bundle, which will begin a page but for besideValue.
func withSpare(bundle []byte) []byte {
	pages := (besideValue + len(bundle) + pageSize - 1) / pageSize
	out := make([]byte, (pages+1)*pageSize-besideValue)
	copy(out, bundle)
	sum := pageSum(out)
	copy(pageOf(out, pages), sum[:])
	return out
}

// pageOf is what of a bundle is on one of its pages: of the first, the end.
func pageOf(b []byte, page int) []byte {
	return b[max(page*pageSize-besideValue, 0) : (page+1)*pageSize-besideValue]
}

// addTo adds to a page what b and the end of sum differ in; twice is not at all.
func addTo(b, sum []byte) { subtle.XORBytes(b, b, sum[len(sum)-len(b):]) }

// pageSum is the sum of all pages of a bundle, zero where it has a spare and is whole.
func pageSum(b []byte) (sum [pageSize]byte) {
	for page := range (besideValue + len(b)) / pageSize {
		p := pageOf(b, page)
		addTo(sum[pageSize-len(p):], p)
	}
	return sum
}

// partNames lists the buckets of parts and rows, which are numbered as one, oldest first.
func partNames(tx *bolt.Tx) (out [][]byte) {
	c := tx.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		if isPart(string(k)) {
			out = append(out, bytes.Clone(k))
		}
	}
	slices.SortFunc(out, func(a, b []byte) int { return bytes.Compare(a[1:], b[1:]) })
	return out
}

// isPart reports whether a bucket at the top is that of a part, or of a row.
func isPart(root string) bool {
	return len(root) == 9 && (root[0] == prefixPart || root[0] == prefixRow)
}

// partName names the bucket of part n, so that names sort by age.
func partName(n uint64) []byte {
	return binary.BigEndian.AppendUint64([]byte{prefixPart}, n)
}

// probeKey is the document key of a probe's number.
func probeKey(num int) []byte { return binary.BigEndian.AppendUint16(nil, uint16(num)) }

// errBadFile says that the file's structure is damaged.
var errBadFile = errors.New("the file is damaged")

func badf(format string, args ...any) error {
	return fmt.Errorf("%w: %s", errBadFile, fmt.Sprintf(format, args...))
}

// IsDamage reports whether an error tells of a damaged file or record, from which
// Repair may save the rest.
func IsDamage(err error) bool {
	return errors.Is(err, ErrDamaged) || errors.Is(err, block.ErrCorrupt) || isDamage(err)
}

// isDamage tells a file that will never read again from trouble that may pass.
func isDamage(err error) bool {
	return errors.Is(err, errBadFile) || errors.Is(err, errPanic) || errors.Is(err, syscall.EIO) ||
		errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
}

// held names what the bundles of a root hold.
func held(root string) string {
	if root == rootRaw {
		return "readings"
	}
	return "sums"
}

// errPanic marks an error that came out of the library as a panic: the file, or
// the library's idea of it, can no longer be trusted.
var errPanic = errors.New("the record's pages are damaged")
