package store

import (
	"bytes"
	"context"
	"errors"
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
	defer wrap(&err, "recompute probe %s", probe)
	if err := u.tidying.take(ctx); err != nil {
		return 0, false, err
	}
	defer u.tidying.give()
	r := redoing{u: u, q: &query{s: u.series, probe: probe}, lo: from.UnixMilli(), hi: to.UnixMilli(), correct: correct}
	for more := true; more; {
		if more, err = r.next(ctx); err != nil {
			return r.changed, false, err
		}
	}
	return r.changed, r.whole(), nil
}

// A redoing is a Recompute at work.
type redoing struct {
	u       *upkeep
	q       *query
	lo, hi  int64
	correct func(sensors.Reading) sensors.Reading
	last    bundleKey // of the bundle done last: keys sort by age
	changed int
}

// next does the oldest bundle that is still to do, and reports whether there was one. A
// day that took the place of its hours meanwhile has the key of none of them and is done
// as well.
func (r *redoing) next(ctx context.Context) (more bool, err error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	if err := r.u.flushing.take(ctx); err != nil {
		return false, err
	}
	defer r.u.flushing.give()
	for _, e := range r.u.lastIndex() {
		if !e.noRaw && e.key.within(r.lo, r.hi) && e.key.compare(r.last) > 0 {
			r.last = e.key
			return true, r.inFile(e.key)
		}
	}
	return false, nil
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
func (r *redoing) inFile(key bundleKey) error {
	var table []byte
	name, changed := key.bytes(), false
	err := r.u.view(func(tx *bolt.Tx) (err error) {
		defer r.u.touched(tx, 1)
		have := bucketValue(tx.Bucket([]byte(rootTable)).Bucket(name))
		table, err = r.again(key, bucketValue(tx.Bucket([]byte(rootRaw)).Bucket(name)), have)
		changed = !bytes.Equal(table, have)
		return err
	})
	if errors.Is(err, ErrDamaged) {
		return nil // counted where it was met
	}
	if err != nil || !changed {
		return err
	}
	r.changed++
	return r.u.update(func(tx *bolt.Tx) error { return putTable(tx, name, table) })
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
	var parts []bundlePart
	if have != nil {
		if parts, err = readParts(have); err != nil {
			r.u.damagedRecord(err)
			return nil, err
		}
	}
	mine := slices.IndexFunc(parts, func(p bundlePart) bool { return p.probe == string(q.probe) })
	if mine < 0 {
		mine, parts = len(parts), append(parts, bundlePart{probe: string(q.probe)})
	}
	parts[mine].blocks = blocks
	return tableBundle(key.bytes(), parts), nil
}
