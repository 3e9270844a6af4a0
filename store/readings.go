package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"
	"sync"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// Readings yields one probe's readings with from <= wall time < to, in order of
// wall time as recorded; where the clock was set back, readings of both passes
// interleave. Times are kept to the millisecond, within half a second of what
// was appended. The iteration holds no lock and no transaction while it yields.
//
// A damaged block yields one error wrapping ErrDamaged and is left out; what
// follows it still comes if the caller goes on.
func (s *Store) Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error] {
	return func(yield func(sensors.Reading, error) bool) {
		q := newQuery(s, probe)
		defer q.release()
		windows(ctx, s, probe, from, to, dayMillis, 1, func(lo, hi int64, err error) bool {
			if err != nil {
				return yield(sensors.Reading{}, fmt.Errorf("read probe %s: %w", probe, err))
			}
			recs, errs := q.window(lo, hi)
			for _, err := range errs {
				if !yield(sensors.Reading{}, fmt.Errorf("read probe %s: %w", probe, err)) {
					return false
				}
			}
			r := sensors.Reading{Probe: probe}
			for i := range recs {
				unpack(&r, &recs[i])
				if !yield(r, nil) {
					return false
				}
			}
			return true
		})
	}
}

// windows calls visit for each stretch of wall time between from and to that
// holds data, at most width milliseconds long and cut at multiples of it. What
// starts on multiples of align is met whole.
func windows(ctx context.Context, s *Store, probe sensors.ProbeID, from, to time.Time, width, align int64, visit func(lo, hi int64, err error) bool) {
	at, end := from.UnixMilli(), to.UnixMilli()
	if from.Before(time.UnixMilli(math.MinInt64 / 4)) {
		at = math.MinInt64 / 4
	}
	for at < end {
		if err := ctx.Err(); err != nil {
			visit(at, at, err)
			return
		}
		start, ok := s.nextData(probe, at)
		if !ok || start >= end {
			return
		}
		at = max(at, floorDiv(start, align)*align)
		next := min((floorDiv(at, width)+1)*width, end)
		if !visit(at, next, nil) {
			return
		}
		at = next
	}
}

// nextData returns the earliest wall time at or after at that a bundle or the
// open hour of the probe may have data for.
func (s *Store) nextData(probe sensors.ProbeID, at int64) (int64, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	best, ok := int64(math.MaxInt64), false
	for _, e := range s.mem.entries {
		if e.key.wallMax >= at {
			best, ok = min(best, max(e.key.wallMin, at)), true
		}
	}
	if p := s.mem.probes[probe]; p != nil {
		for i := range p.recs {
			if w := p.recs[i].Wall; w >= at {
				best, ok = min(best, w), true
			}
		}
	}
	return best, ok
}

// errMoved says that a bundle was taken out of the index meanwhile.
var errMoved = errors.New("bundle has moved")

// A query reads windows of one probe with scratch space that it keeps.
type query struct {
	s     *Store
	probe sensors.ProbeID
	dec   block.Decoder
	recs  []block.Record
	spans []block.Span
}

// queries keeps the scratch space of queries that have ended: a page of charts
// asks for the same day of many probes, one after another.
var queries = sync.Pool{New: func() any { return new(query) }}

func newQuery(s *Store, probe sensors.ProbeID) *query {
	q := queries.Get().(*query)
	q.s, q.probe = s, probe
	return q
}

// release gives the query back; what it returned must not be used any more.
func (q *query) release() {
	q.s = nil
	if cap(q.recs) <= maxScratch {
		queries.Put(q)
	}
}

// maxScratch is the most records that a resting query may hold on to.
const maxScratch = 3 * dayMillis / 10_000

// overlap copies the entries that may hold data in [lo, hi), and the open
// records of the probe.
func (q *query) overlap(lo, hi int64) (entries []*entry, open []block.Record) {
	q.s.mu.Lock()
	defer q.s.mu.Unlock()
	for _, e := range q.s.mem.entries {
		if e.key.wallMin < hi && e.key.wallMax >= lo {
			entries = append(entries, e)
		}
	}
	if p := q.s.mem.probes[q.probe]; p != nil {
		open = append(open, p.recs...)
	}
	return entries, open
}

// window returns the probe's records of [lo, hi) in order of wall time. They
// are valid until the next call.
func (q *query) window(lo, hi int64) ([]block.Record, []error) {
	for range 8 { // each time that a day replaces its hours under our hands
		recs, errs, err := q.tryWindow(lo, hi)
		if errors.Is(err, errMoved) {
			continue
		}
		if err != nil {
			errs = append(errs, err)
		}
		return recs, errs
	}
	return nil, []error{errMoved}
}

func (q *query) tryWindow(lo, hi int64) (out []block.Record, errs []error, err error) {
	entries, open := q.overlap(lo, hi)
	q.recs = q.recs[:0]
	for _, e := range entries {
		err := q.fetch(e, rootRaw, kindRaw, func(blocks [][]byte) error {
			for _, b := range blocks {
				var err error
				if q.recs, err = q.dec.Decode(q.recs, b); err != nil {
					errs = append(errs, fmt.Errorf("%w: %w", ErrDamaged, err))
					q.s.damagedRecord(err)
				}
			}
			return nil
		})
		if errors.Is(err, ErrDamaged) {
			q.s.damagedRecord(err)
			errs = append(errs, err)
		} else if err != nil {
			return nil, nil, err
		}
	}
	q.recs = append(q.recs, open...)
	if inOrder(q.recs, lo, hi) {
		return q.recs, errs, nil
	}
	out = slices.DeleteFunc(q.recs, func(r block.Record) bool { return r.Wall < lo || r.Wall >= hi })
	byWall := func(a, b block.Record) int { return cmp.Compare(a.Wall, b.Wall) }
	if !slices.IsSortedFunc(out, byWall) {
		slices.SortStableFunc(out, byWall)
	}
	// Running time never stands still, so equals are one reading twice: found
	// in an hour and in its day by a repair.
	return slices.Compact(out), errs, nil
}

// inOrder reports whether all records lie in [lo, hi) and rise: nothing to leave
// out, to sort or to take for a second copy.
func inOrder(recs []block.Record, lo, hi int64) bool {
	last := lo - 1
	for i := range recs {
		if recs[i].Wall <= last {
			return false
		}
		last = recs[i].Wall
	}
	return last < hi
}

// fetch hands use the probe's blocks of one bundle, if it has any. They are
// valid during the call.
func (q *query) fetch(e *entry, root string, kind byte, use func(blocks [][]byte) error) error {
	q.s.layout.RLock()
	defer q.s.layout.RUnlock()
	q.s.mu.Lock()
	data, gone, noRaw := e.raw, e.gone, e.noRaw
	if kind == kindTable {
		data = e.table
	}
	q.s.mu.Unlock()
	switch {
	case gone:
		return errMoved
	case noRaw && kind == kindRaw:
		return nil
	case data != nil:
		return pick(data, kind, string(q.probe), use)
	}
	return q.s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(root))
		if b == nil {
			return badf("bucket %s is missing", root)
		}
		return pick(bucketValue(b.Bucket(e.name)), kind, string(q.probe), use)
	})
}

// pick finds one probe's blocks in a bundle.
func pick(bundle []byte, kind byte, probe string, use func(blocks [][]byte) error) error {
	var err error
	werr := walkBundle(bundle, kind, func(name []byte, blocks [][]byte) bool {
		if string(name) != probe {
			return true
		}
		err = use(blocks)
		return false
	})
	return errors.Join(werr, err)
}
