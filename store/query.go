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

// A query reads windows of one probe with scratch space that it keeps.
type query struct {
	s       *series
	probe   sensors.ProbeID
	place   int // of the probe among all
	dec     block.Decoder
	waiting []hour         // copies of those that may hold data of the window
	open    []block.Record // copy of the open hour
	recs    []block.Record
	spans   []block.Span
	errs    []error // faults met on the way
}

// queries keeps the scratch space of queries that have ended: a page of charts
// asks for the same day of many probes, one after another.
var queries = sync.Pool{New: func() any { return new(query) }}

// newQuery takes a query out of the pool. Give it back with release.
func newQuery(s *series, probe sensors.ProbeID) *query {
	q := queries.Get().(*query)
	q.s, q.probe, q.recs = s, probe, q.recs[:0]
	return q
}

// release gives the query back; what it returned must not be used any more.
func (q *query) release() {
	q.s, q.errs = nil, nil
	clear(q.waiting[:cap(q.waiting)]) // they hold on to bundles
	if max(cap(q.recs), cap(q.open), q.dec.Scratch()) <= maxScratch {
		queries.Put(q)
	}
}

// maxScratch is how much a resting query may hold on to: records of three days.
const maxScratch = 3 * dayMillis / 10_000

// look copies what memory has of [lo, hi), and returns the number of the next bundle.
func (q *query) look(lo, hi int64) (nextSeq uint64) {
	q.waiting, q.open, q.recs, q.spans, q.errs = q.waiting[:0], q.open[:0], q.recs[:0], q.spans[:0], nil
	q.s.mu.Lock()
	defer q.s.mu.Unlock()
	for _, h := range q.s.mem.waiting {
		if h.key.within(lo, hi) {
			q.waiting = append(q.waiting, *h)
		}
	}
	if p := q.s.mem.probes[q.probe]; p != nil {
		q.place, q.open = p.place, append(q.open, p.recs...)
	}
	return q.s.mem.nextSeq
}

// within reports whether a bundle may hold data of [lo, hi).
func (k bundleKey) within(lo, hi int64) bool { return k.wallMin < hi && k.wallMax >= lo }

// noLevel asks collect for readings and no rollups.
const noLevel = -1

// errAgain says that an hour was sealed and written since memory was looked at.
var errAgain = errors.New("hours are written all the time")

// collect unpacks what there is of [lo, hi), but for the open hour: readings, or the
// rollups of a level. Memory is looked at first, so that nothing is missed on its way into
// the file.
func (q *query) collect(level int, lo, hi int64) error {
	err := errAgain
	for try := 0; try < 8 && errors.Is(err, errAgain); try++ {
		nextSeq := q.look(lo, hi)
		err = q.s.view(func(tx *bolt.Tx) error { return q.fromFile(tx, level, lo, hi, nextSeq) })
	}
	if errors.Is(err, ErrUnavailable) && !slices.ContainsFunc(q.s.lastIndex(), func(e entry) bool { return e.key.within(lo, hi) }) {
		err = nil // memory has all of it
	}
	for _, h := range q.waiting {
		q.bundle(h.key, h.raw, h.table, level)
	}
	return err
}

// fromFile unpacks what bundles of the file have, and forgets hours that are among them.
func (q *query) fromFile(tx *bolt.Tx, level int, lo, hi int64, nextSeq uint64) error {
	entries, err := q.s.index(tx)
	if err != nil {
		return err
	}
	if n := len(entries); n > 0 && entries[n-1].key.seq >= nextSeq {
		return errAgain
	}
	raws, tables, read := tx.Bucket([]byte(rootRaw)), tx.Bucket([]byte(rootTable)), 0
	for _, e := range entries {
		if !e.key.within(lo, hi) || e.noRaw && level == noLevel {
			continue
		}
		name := e.key.bytes()
		var table []byte
		if level != noLevel {
			table = bucketValue(tables.Bucket(name))
		}
		q.bundle(e.key, bucketValue(raws.Bucket(name)), table, level)
		read++
	}
	q.s.touched(tx, read)
	q.waiting = slices.DeleteFunc(q.waiting, func(h hour) bool {
		_, there := find(entries, h.key)
		return there
	})
	return nil
}

// bundle unpacks what the probe has in the bundles of one key: its readings or, of a level
// of rollups, what is stored and, where that is not all, what its readings tell.
func (q *query) bundle(key bundleKey, raw, table []byte, level int) {
	if level == noLevel {
		q.readings(key, raw)
		return
	}
	faults := len(q.errs)
	stored := q.stored(key, table)[level]
	if len(q.errs) > faults {
		return
	}
	q.recs = q.recs[:0]
	if needsReadings(stored) && (raw != nil || table == nil) && !q.readings(key, raw) {
		return
	}
	var err error
	if q.spans, err = levelOf(q.spans, &q.dec, q.probe, level, stored, q.recs); err != nil {
		q.fault(fmt.Errorf("%w: %w", ErrDamaged, err))
	}
}

// stored is what a bundle of rollups, nil for none, has of the probe.
func (q *query) stored(key bundleKey, table []byte) (out [levels][]byte) {
	if table == nil {
		return out
	}
	d, err := q.s.dirs.of(table, rootTable, key)
	if err != nil {
		q.fault(err)
	} else if i, ok := d.find(table, string(q.probe), q.place); ok {
		n := 0
		d.part(table, i, func(b []byte) {
			if n < levels {
				out[n] = b
			}
			n++
		})
	}
	return out
}

// all appends what the probe has in the bundles of one key: its readings to q.recs, and to
// spans its rollups of each level, of which it returns what is stored. What is damaged is
// left out.
func (q *query) all(tx *bolt.Tx, key bundleKey, spans *[levels][]block.Span) (stored [levels][]byte) {
	name, from := key.bytes(), len(q.recs)
	raw, table := bucketValue(tx.Bucket([]byte(rootRaw)).Bucket(name)), bucketValue(tx.Bucket([]byte(rootTable)).Bucket(name))
	q.readings(key, raw)
	stored = q.stored(key, table)
	for l := range stored {
		var err error
		if spans[l], err = levelOf(spans[l], &q.dec, q.probe, l, stored[l], q.recs[from:]); err != nil {
			q.fault(fmt.Errorf("probe %s: %w", q.probe, err))
		}
	}
	return stored
}

// readings appends what the probe has in a bundle of readings to q.recs, and reports
// whether that is whole. Directories are remembered.
func (q *query) readings(key bundleKey, raw []byte) bool {
	from := len(q.recs)
	d, err := q.s.dirs.of(raw, rootRaw, key)
	bad := q.decode(&d, raw, err)
	if len(bad) > 0 {
		if whole := mended(raw); whole != nil {
			q.s.damagedRecord(fmt.Errorf("%w: a page of readings, %s, made again from the others", ErrDamaged, key))
			q.recs = q.recs[:from]
			d, err = readDirectory(whole)
			bad = q.decode(&d, whole, err)
		}
	}
	for _, err := range bad {
		q.fault(err)
	}
	return len(bad) == 0
}

// decode appends what the probe has in a bundle of readings with that directory to q.recs,
// and returns what is wrong with it.
func (q *query) decode(d *directory, raw []byte, err error) (bad []error) {
	if err != nil {
		return []error{err}
	}
	if i, ok := d.find(raw, string(q.probe), q.place); ok {
		d.part(raw, i, func(b []byte) {
			var err error
			if q.recs, err = q.dec.Decode(q.recs, b); err != nil {
				bad = append(bad, fmt.Errorf("%w: %w", ErrDamaged, err))
			}
		})
	}
	return bad
}

// faults are those met in a window: what ended it, or what is damaged.
func (q *query) faults(ended error) []error {
	if ended != nil {
		return []error{ended}
	}
	return q.errs
}

func (q *query) fault(err error) {
	q.errs = append(q.errs, err)
	q.s.damagedRecord(err)
}

// window returns the probe's records of [lo, hi) in order of wall time, valid until the
// next call.
func (q *query) window(lo, hi int64) ([]block.Record, error) {
	if err := q.collect(noLevel, lo, hi); err != nil {
		return nil, err
	}
	q.recs = append(q.recs, q.open...)
	return inWindow(q.recs, lo, hi), nil
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
