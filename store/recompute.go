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
// is false while readings of the span are in the hour that is still open, or wait for the
// disk, and have rollups made from the readings as they stand: call again when they are
// written.
func (u *upkeep) Recompute(ctx context.Context, probe sensors.ProbeID, from, to time.Time, correct func(sensors.Reading) sensors.Reading) (changed int, whole bool, err error) {
	if err := u.tidying.take(ctx); err != nil {
		return 0, false, fmt.Errorf("recompute probe %s: %w", probe, err)
	}
	defer u.tidying.give()
	r := redoing{u: u, q: &query{s: u.series, probe: probe}, lo: from.UnixMilli(), hi: to.UnixMilli(), correct: correct}
	for more := true; more; {
		var ok bool
		if ok, more, err = r.next(ctx); err != nil {
			return changed, false, fmt.Errorf("recompute probe %s: %w", probe, err)
		}
		if ok {
			changed++
		}
	}
	return changed, r.whole(), nil
}

// A redoing is a Recompute at work.
type redoing struct {
	u       *upkeep
	q       *query
	lo, hi  int64
	correct func(sensors.Reading) sensors.Reading
	last    bundleKey // of the bundle done last: keys sort by age
}

// next does the oldest bundle that is still to do, and reports whether it changed
// and whether there was one. A day that took the place of its hours meanwhile has
// the key of none of them and is done as well.
func (r *redoing) next(ctx context.Context) (changed, more bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, false, err
	}
	if err := r.u.flushing.take(ctx); err != nil {
		return false, false, err
	}
	defer r.u.flushing.give()
	for _, e := range r.u.lastIndex() {
		if !e.noRaw && r.due(e.key) {
			changed, err = r.inFile(e.key)
			return changed, true, err
		}
	}
	return false, false, nil
}

// due reports whether a bundle is the next to do, and notes that it is being done.
func (r *redoing) due(key bundleKey) bool {
	if !key.within(r.lo, r.hi) || key.compare(r.last) <= 0 {
		return false
	}
	r.last = key
	return true
}

// whole reports whether no reading of the span is in the open hour, or waits for the disk.
func (r *redoing) whole() bool {
	s := r.u
	s.mu.Lock()
	defer s.mu.Unlock()
	p := s.mem.probes[r.q.probe]
	if slices.ContainsFunc(s.mem.waiting, func(h *hour) bool { return h.key.within(r.lo, r.hi) }) {
		return false
	}
	return p == nil || !slices.ContainsFunc(p.recs, func(rec block.Record) bool { return rec.Wall >= r.lo && rec.Wall < r.hi })
}

// inFile replaces the probe's rollups in one bundle of the file. Raw and rollup bundles of
// one name sum up the same readings. The flushing token keeps both in place.
func (r *redoing) inFile(key bundleKey) (changed bool, err error) {
	var table []byte
	name := key.bytes()
	err = r.u.view(func(tx *bolt.Tx) (err error) {
		defer r.u.touched(tx, 1)
		have := bucketValue(tx.Bucket([]byte(rootTable)).Bucket(name))
		table, err = r.again(key, bucketValue(tx.Bucket([]byte(rootRaw)).Bucket(name)), have)
		changed = !bytes.Equal(table, have)
		return err
	})
	switch {
	case errors.Is(err, ErrDamaged):
		return false, nil // counted where it was met
	case err != nil || !changed:
		return false, err
	}
	return true, r.u.update(func(tx *bolt.Tx) error { return putTable(tx, name, table) })
}

// again is a bundle of rollups with those of the probe made again from its readings.
func (r *redoing) again(key bundleKey, raw, have []byte) (table []byte, err error) {
	q := r.q
	q.recs, q.errs = q.recs[:0], nil
	if q.readings(key, raw); len(q.errs) > 0 {
		return nil, errors.Join(q.errs...)
	}
	if len(q.recs) == 0 {
		return have, nil
	}
	told := sumLevels(q.probe, q.recs, nil)
	for i := range q.recs {
		if w := q.recs[i].Wall; w < r.lo || w >= r.hi {
			continue
		}
		reading := sensors.Reading{Probe: q.probe}
		unpack(&reading, &q.recs[i])
		reading, q.recs[i] = r.correct(reading), block.Record{}
		pack(&q.recs[i], &reading)
	}
	r.u.enc.Quick = false
	blocks, err := tableBlocks(&r.u.enc, sumLevels(q.probe, q.recs, *r.u.limits.Load()), told)
	if err != nil {
		return nil, err
	}
	if table, err = swapPart(have, key.bytes(), string(q.probe), blocks); err != nil {
		r.u.damagedIf(err)
	}
	return table, err
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
