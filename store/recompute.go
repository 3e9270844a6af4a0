package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// Recompute makes one probe's rollups again for bundles that overlap [from,
// to), as a correction by date asks for: each reading goes through correct, which
// applies the correction to its Raw sample. The readings on record stay as they
// are. It returns how many bundles changed; those whose readings are past their
// age, or damaged, keep their rollups. To do it again, or after it was stopped
// half-way, changes nothing that is right already.
//
// It works on one bundle at a time and lets flushes and commits in between. whole
// is false while readings of the span are in the hour that is still open, whose
// rollups will be made from the readings as they stand: call again when it is
// over.
func (u *upkeep) Recompute(ctx context.Context, probe sensors.ProbeID, from, to time.Time, correct func(sensors.Reading) sensors.Reading) (changed int, whole bool, err error) {
	if err := u.tidying.take(ctx); err != nil {
		return 0, false, fmt.Errorf("recompute probe %s: %w", probe, err)
	}
	defer u.tidying.give()
	r := redoing{u: u, q: &query{s: u.series, probe: probe}, lo: from.UnixMilli(), hi: to.UnixMilli(), correct: correct}
	for {
		ok, more, err := r.next(ctx)
		if err != nil {
			return changed, false, fmt.Errorf("recompute probe %s: %w", probe, err)
		}
		if ok {
			changed++
		}
		if !more {
			return changed, r.whole(), nil
		}
	}
}

// A redoing is a Recompute at work.
type redoing struct {
	u       *upkeep
	q       *query
	lo, hi  int64
	correct func(sensors.Reading) sensors.Reading
	last    []byte // name of the bundle done last: names sort by age
}

// next does the oldest bundle that is still to do, and reports whether it changed
// and whether there was one. A day that took the place of its hours meanwhile has
// the name of none of them and is done as well.
func (r *redoing) next(ctx context.Context) (changed, more bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, false, err
	}
	s := r.u
	if err := s.flushing.take(ctx); err != nil {
		return false, false, err
	}
	defer s.flushing.give()
	e := r.due()
	if e == nil {
		return false, false, nil
	}
	r.last = e.name
	changed, err = r.bundle(e)
	if errors.Is(err, ErrDamaged) {
		return false, true, nil // counted where it was met
	}
	return changed, true, err
}

// due returns the oldest bundle after the last with readings in the span.
func (r *redoing) due() *entry {
	s := r.u
	s.mu.Lock()
	defer s.mu.Unlock()
	var first *entry
	for _, e := range s.mem.entries {
		if e.noRaw || e.key.wallMin >= r.hi || e.key.wallMax < r.lo || bytes.Compare(e.name, r.last) <= 0 {
			continue
		}
		if first == nil || bytes.Compare(e.name, first.name) < 0 {
			first = e
		}
	}
	return first
}

// whole reports whether no reading of the span is in the open hour.
func (r *redoing) whole() bool {
	s := r.u
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.mem.probes[r.q.probe]
	return p == nil || !slices.ContainsFunc(p.recs, func(rec block.Record) bool { return rec.Wall >= r.lo && rec.Wall < r.hi })
}

// bundle replaces the probe's rollups in one bundle. Raw and rollup bundles of
// one name sum up the same readings. The flushing token keeps e in place.
func (r *redoing) bundle(e *entry) (bool, error) {
	q := r.q
	if err := q.readBundle(e); err != nil || len(q.recs) == 0 {
		return false, err
	}
	again := sumLevels(q.probe, q.recs, nil)
	for i := range q.recs {
		if w := q.recs[i].Wall; w < r.lo || w >= r.hi {
			continue
		}
		reading := sensors.Reading{Probe: q.probe}
		unpack(&reading, &q.recs[i])
		reading, q.recs[i] = r.correct(reading), block.Record{}
		pack(&q.recs[i], &reading)
	}
	blocks, err := tableBlocks(&r.u.enc, sumLevels(q.probe, q.recs, *r.u.limits.Load()), again)
	if err != nil {
		return false, err
	}
	return r.u.replaceTable(e, string(q.probe), blocks)
}

// readBundle fills q.recs with the probe's readings of one bundle; all or none.
func (q *query) readBundle(e *entry) error {
	q.s.layout.RLock()
	defer q.s.layout.RUnlock()
	q.recs, q.from = q.recs[:0], q.from[:0]
	q.s.mu.Lock()
	q.note(e, noLevel)
	q.s.mu.Unlock()
	if err := q.copyBlocks(noLevel); err != nil {
		return err
	}
	var errs []error
	for i := range q.from {
		errs = q.unpackSource(&q.from[i], errs)
	}
	return errors.Join(errs...)
}

// replaceTable swaps one probe's rollups in a bundle, on disk or still waiting for that,
// and reports whether that changed anything.
func (u *upkeep) replaceTable(e *entry, probe string, blocks [][]byte) (changed bool, err error) {
	var table []byte
	swap := func(have []byte) (err error) {
		table, err = swapPart(have, e.name, probe, blocks)
		changed = !bytes.Equal(table, have)
		return err
	}
	waits := e.raw != nil
	if waits {
		err = swap(e.table)
	} else {
		err = u.view(func(tx *bolt.Tx) error { return swap(bucketValue(tx.Bucket([]byte(rootTable)).Bucket(e.name))) })
	}
	switch {
	case err != nil:
		u.damagedIf(err)
		return false, err
	case changed && waits:
		u.mu.Lock()
		e.table = table
		u.mu.Unlock()
	case changed:
		err = u.update(func(tx *bolt.Tx) error { return putTable(tx, e.name, table) })
	}
	return changed && err == nil, err
}

// swapPart returns a bundle of rollups with other blocks for one probe.
func swapPart(bundle, name []byte, probe string, blocks [][]byte) ([]byte, error) {
	var parts []bundlePart
	if bundle != nil {
		var err error
		if parts, err = readParts(bundle, kindTable); err != nil {
			return nil, err
		}
	}
	mine := slices.IndexFunc(parts, func(p bundlePart) bool { return p.probe == probe })
	if mine < 0 {
		mine, parts = len(parts), append(parts, bundlePart{probe: probe})
	}
	parts[mine].blocks = blocks
	return tableBundle(name, parts), nil
}
