package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
)

// Recompute makes one probe's rollups again for bundles that overlap [from,
// to), as a correction by date asks for: each reading goes through correct, which
// applies the correction to its Raw sample. The readings on record stay as they
// are. It returns how many bundles changed; those whose readings are past their
// age keep their rollups.
func (s *Store) Recompute(ctx context.Context, probe sensors.ProbeID, from, to time.Time, correct func(sensors.Reading) sensors.Reading) (int, error) {
	done := 0
	select {
	case s.flushing <- struct{}{}:
	case <-ctx.Done():
		return 0, fmt.Errorf("recompute probe %s: %w", probe, ctx.Err())
	}
	defer func() { <-s.flushing }()
	q := &query{s: s, probe: probe}
	q.look(kindRaw, from.UnixMilli(), to.UnixMilli())
	entries := make([]*entry, len(q.from))
	for i := range q.from {
		entries[i] = q.from[i].e
	}
	for _, e := range entries {
		if err := ctx.Err(); err != nil {
			return done, fmt.Errorf("recompute probe %s: %w", probe, err)
		}
		changed, err := q.recompute(e, from, to, correct)
		if err != nil {
			return done, fmt.Errorf("recompute probe %s: %w", probe, err)
		}
		if changed {
			done++
		}
	}
	return done, nil
}

// recompute replaces the probe's rollups in one bundle. Raw and rollup bundles
// of one name sum up the same readings. The flushing token keeps e in place.
func (q *query) recompute(e *entry, from, to time.Time, correct func(sensors.Reading) sensors.Reading) (bool, error) {
	if err := q.readBundle(e); err != nil || len(q.recs) == 0 {
		return false, err
	}
	lo, hi := from.UnixMilli(), to.UnixMilli()
	for i := range q.recs {
		if w := q.recs[i].Wall; w < lo || w >= hi {
			continue
		}
		r := sensors.Reading{Probe: q.probe}
		unpack(&r, &q.recs[i])
		q.recs[i] = recordOf(correct(r))
	}
	blocks, err := tableBlocks(&q.s.enc, sumUp(q.probe, q.recs, *q.s.limits.Load()))
	if err != nil {
		return false, err
	}
	return true, q.s.replaceTable(e, string(q.probe), blocks)
}

// readBundle fills q.recs with the probe's readings of one bundle; all or none.
func (q *query) readBundle(e *entry) error {
	q.s.layout.RLock()
	defer q.s.layout.RUnlock()
	q.recs, q.from = q.recs[:0], q.from[:0]
	q.s.mu.Lock()
	q.note(e, kindRaw)
	q.s.mu.Unlock()
	if err := q.copyBlocks(kindRaw, allBlocks); err != nil {
		return err
	}
	var errs []error
	for i := range q.from {
		errs = q.unpackSource(&q.from[i], errs)
	}
	return errors.Join(errs...)
}

// replaceTable swaps one probe's rollups in a bundle, in memory or on disk.
func (s *Store) replaceTable(e *entry, probe string, blocks [][]byte) error {
	s.mu.Lock()
	waiting := e.table
	s.mu.Unlock()
	if waiting != nil {
		table, err := swapPart(waiting, e.name, probe, blocks)
		if err != nil {
			return err
		}
		s.mu.Lock()
		e.table = table
		s.mu.Unlock()
		return nil
	}
	return s.update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(rootTable))
		if b == nil || b.Bucket(e.name) == nil {
			return fmt.Errorf("%w: rollups are missing", ErrDamaged)
		}
		table, err := swapPart(bucketValue(b.Bucket(e.name)), e.name, probe, blocks)
		if err != nil {
			return err
		}
		return b.Bucket(e.name).Put([]byte(valueKey), table)
	})
}

// swapPart returns a bundle of rollups with other blocks for one probe.
func swapPart(bundle, name []byte, probe string, blocks [][]byte) ([]byte, error) {
	var parts []bundlePart
	err := walkBundle(bundle, kindTable, func(p []byte, have [][]byte) bool {
		part := bundlePart{string(p), append([][]byte(nil), have...)}
		if part.probe == probe {
			part.blocks = blocks
		}
		parts = append(parts, part)
		return true
	})
	if err != nil {
		return nil, err
	}
	return appendBundle(nil, kindTable, name, parts), nil
}
