package store

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"sync"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// errMoved says that a bundle was taken out of the index meanwhile.
var errMoved = errors.New("bundle has moved")

// A query reads windows of one probe with scratch space that it keeps. It first
// copies out the packed blocks of a window, which are small, in one transaction and
// under the locks, and unpacks them afterwards.
type query struct {
	s     *series
	probe sensors.ProbeID
	place int // of the probe among all
	dec   block.Decoder
	from  []source       // bundles that may hold data of the window, by seq
	open  []block.Record // copy of the open hour
	bytes []byte         // copies of blocks, one after another
	have  [][]byte       // each of them
	recs  []block.Record
	spans []block.Span
}

// A source is a bundle as the index had it, and then which blocks were copied.
type source struct {
	e          *entry
	raw, table []byte // the bundles, while the disk has not taken them
	stored     []byte // the block of rollups
	first, end int    // its blocks of readings are have[first:end]
	err        error  // why there are none
}

// queries keeps the scratch space of queries that have ended: a page of charts
// asks for the same day of many probes, one after another.
var queries = sync.Pool{New: func() any { return new(query) }}

// newQuery takes a query out of the pool. Give it back with release.
func newQuery(s *series, probe sensors.ProbeID) *query {
	q := queries.Get().(*query)
	q.s, q.probe = s, probe
	return q
}

// release gives the query back; what it returned must not be used any more.
func (q *query) release() {
	q.s = nil
	clear(q.from[:cap(q.from)]) // they hold on to bundles
	clear(q.have[:cap(q.have)])
	if max(cap(q.recs), cap(q.open), q.dec.Scratch()) <= maxScratch && cap(q.bytes) <= maxCopies {
		queries.Put(q)
	}
}

// The most that a resting query may hold on to: records of three days, and
// copies of blocks for more than as long.
const (
	maxScratch = 3 * dayMillis / 10_000
	maxCopies  = 128 << 10
)

// look notes the bundles that may hold data in [lo, hi), and copies the open
// records of the probe.
func (q *query) look(level int, lo, hi int64) {
	q.from, q.open = q.from[:0], q.open[:0]
	q.s.mu.Lock()
	defer q.s.mu.Unlock()
	for _, e := range q.s.mem.entries {
		if e.key.wallMin < hi && e.key.wallMax >= lo {
			q.note(e, level)
		}
	}
	if p := q.s.mem.probes[q.probe]; p != nil {
		q.place, q.open = p.place, append(q.open, p.recs...)
	}
}

// note adds a bundle to those to copy from. The caller holds mu.
func (q *query) note(e *entry, level int) {
	if e.noRaw && level == noLevel {
		return
	}
	q.from = append(q.from, source{e: e, raw: e.raw, table: e.table})
}

// noLevel asks copyBlocks for readings and no rollups.
const noLevel = -1

// collect looks and copies. It begins again when a day replaces its hours under
// our hands, which it can do only so often.
func (q *query) collect(level int, lo, hi int64) error {
	err := errMoved
	for try := 0; try < 8 && errors.Is(err, errMoved); try++ {
		err = q.collectOnce(level, lo, hi)
	}
	return err
}

func (q *query) collectOnce(level int, lo, hi int64) error {
	q.s.layout.RLock()
	defer q.s.layout.RUnlock()
	q.look(level, lo, hi)
	return q.copyBlocks(level)
}

// copyBlocks copies the probe's blocks out of the noted bundles: those of readings, or
// what is stored of a level of rollups and, where that is not all, those of readings.
// The caller holds layout, so that the index and the file agree. What is damaged is
// noted with its bundle; an error means that nothing could be read.
func (q *query) copyBlocks(level int) error {
	q.bytes, q.have = q.bytes[:0], q.have[:0]
	onDisk := false
	for i := range q.from {
		if src := &q.from[i]; src.raw != nil {
			q.copyFrom(src, src.raw, src.table, level)
		} else {
			onDisk = true
		}
	}
	if !onDisk {
		return nil
	}
	return q.s.view(func(tx *bolt.Tx) error {
		defer q.s.touched(tx, len(q.from))
		raws, tables := tx.Bucket([]byte(rootRaw)), tx.Bucket([]byte(rootTable))
		for i := range q.from {
			src := &q.from[i]
			if src.raw != nil {
				continue
			}
			var raw, table []byte
			if level != noLevel {
				table = bucketValue(tables.Bucket(src.e.name))
			}
			if table == nil || !src.e.noRaw {
				raw = bucketValue(raws.Bucket(src.e.name))
			}
			if raw == nil && table == nil && q.moved(src.e) {
				return errMoved
			}
			q.copyFrom(src, raw, table, level)
		}
		return nil
	})
}

// moved reports whether a bundle was taken out of the index, as when the file
// was let go of and another one opened.
func (q *query) moved(e *entry) bool {
	q.s.mu.Lock()
	defer q.s.mu.Unlock()
	return e.gone
}

// copyFrom copies the probe's blocks out of the bundles of one entry, or notes why it
// cannot.
func (q *query) copyFrom(src *source, raw, table []byte, level int) {
	copied := func(b []byte) []byte {
		from := len(q.bytes)
		q.bytes = append(q.bytes, b...)
		return q.bytes[from:len(q.bytes):len(q.bytes)]
	}
	whole := false
	if table != nil {
		n := 0
		src.err = q.partOf(src, kindTable, table, func(b []byte) {
			if n == level && len(b) > 0 {
				src.stored, whole = copied(b), !needsReadings(b)
			}
			n++
		})
	}
	src.first, src.end = len(q.have), len(q.have)
	if whole || src.err != nil || raw == nil && table != nil {
		return
	}
	src.err = q.partOf(src, kindRaw, raw, func(b []byte) { q.have = append(q.have, copied(b)) })
	src.end = len(q.have)
}

// partOf calls use with each block that the probe has in a bundle, by directories that are
// remembered. In most bundles the probes are in the order that they were first seen in.
func (q *query) partOf(src *source, kind byte, b []byte, use func(block []byte)) error {
	d, err := q.s.dirs.of(b, kind, src.e.name)
	if err != nil {
		return err
	}
	if i, ok := d.find(b, string(q.probe), q.place); ok {
		d.part(b, i, use)
	}
	return nil
}

// window returns the probe's records of [lo, hi) in order of wall time, and the faults met
// on the way to them. Both are valid until the next call.
func (q *query) window(lo, hi int64) ([]block.Record, []error) {
	if err := q.collect(noLevel, lo, hi); err != nil {
		return nil, []error{err}
	}
	var errs []error
	q.recs = q.recs[:0]
	for i := range q.from {
		errs = q.unpackSource(&q.from[i], errs)
	}
	q.recs = append(q.recs, q.open...)
	return inWindow(q.recs, lo, hi), errs
}

// unpackSource appends a bundle's records to q.recs, and its faults to errs.
func (q *query) unpackSource(src *source, errs []error) []error {
	if src.err != nil {
		q.s.damagedRecord(src.err)
		return append(errs, src.err)
	}
	for _, b := range q.have[src.first:src.end] {
		var err error
		if q.recs, err = q.dec.Decode(q.recs, b); err != nil {
			errs = append(errs, fmt.Errorf("%w: %w", ErrDamaged, err))
			q.s.damagedRecord(err)
		}
	}
	return errs
}

// inWindow returns the records in [lo, hi) in order of wall time, in place.
func inWindow(recs []block.Record, lo, hi int64) []block.Record {
	if rising(recs) {
		return recs[wallIndex(recs, lo):wallIndex(recs, hi)]
	}
	recs = slices.DeleteFunc(recs, func(r block.Record) bool { return r.Wall < lo || r.Wall >= hi })
	slices.SortStableFunc(recs, func(a, b block.Record) int { return cmp.Compare(a.Wall, b.Wall) })
	// Running time never stands still, so equals are one reading twice: found
	// in an hour and in its day by a repair.
	return slices.Compact(recs)
}

// wallIndex is the index of the first of rising records at or after a wall time.
func wallIndex(recs []block.Record, at int64) int {
	i, _ := slices.BinarySearchFunc(recs, at, func(r block.Record, at int64) int { return cmp.Compare(r.Wall, at) })
	return i
}

// rising reports whether wall times only go up: nothing to sort, or to take for
// a second copy.
func rising(recs []block.Record) bool {
	for i := 1; i < len(recs); i++ {
		if recs[i].Wall <= recs[i-1].Wall {
			return false
		}
	}
	return true
}
