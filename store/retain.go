package store

import (
	"cmp"
	"errors"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"dewline/store/block"
)

// reserve is the part of the cap that readings leave free for alarms, for the
// copies that a commit makes before it frees the old pages, and for holes too
// small for a day.
func reserve(limit int64) int64 { return max(limit/8, min(limit/3, 2<<20)) }

// A leaving is the bundles that are to go: readings alone, or rollups with them.
type leaving struct{ raw, all []entry }

func (l *leaving) count() int { return len(l.raw) + len(l.all) }

// expired returns as many bundles as it may whose readings are past their age or, when the
// file nears its cap, the oldest one with readings or else the oldest of all.
func (w *writer) expired(most int, full bool) (l leaving) {
	f, k := w.figures(), w.kept.Load()
	full = full || f.used() > k.MaxBytes-reserve(k.MaxBytes)
	now, entries := w.newest(), w.lastIndex()
	keepRaw, keepTable := k.KeepRaw.Milliseconds(), k.KeepTable.Milliseconds()
	for _, e := range entries {
		if l.count() >= most {
			break
		}
		age := now - e.key.monoMax
		switch {
		case keepTable > 0 && age > keepTable:
			l.all = append(l.all, e)
		case !e.noRaw && (age > keepRaw || full):
			l.raw = append(l.raw, e)
			full = false
		}
	}
	if full && l.count() == 0 && len(entries) > 0 {
		l.all = append(l.all, entries[0])
	}
	return l
}

// drop only takes bundles out, for want of room: of the rollups that their readings tell
// it keeps the hours, and where there is no room for these, none.
func (w *writer) drop(l leaving) error {
	err := w.update(func(tx *bolt.Tx) error { return w.letGoOf(tx, l, int(Hour)-1) })
	if errors.Is(err, bolterrors.ErrMaxSizeReached) {
		err = w.update(func(tx *bolt.Tx) error { return w.letGoOf(tx, l, levels) })
	}
	return err
}

// letGoOf takes out what is past its age. Rollups that the readings tell are stored first,
// those of the levels from first on.
func (w *writer) letGoOf(tx *bolt.Tx, l leaving, first int) error {
	for _, e := range l.raw {
		if err := w.keepSums(tx, e.key, first); err != nil {
			return err
		}
		if err := dropBundle(tx, rootRaw, e.key.bytes()); err != nil {
			return err
		}
	}
	for _, e := range l.all {
		if err := dropBundles(tx, e.key.bytes()); err != nil {
			return err
		}
	}
	return nil
}

// keepSums stores in full those rollups of a bundle that its readings tell, as these are
// about to go: those of the levels from first on. What is damaged is left out.
func (w *writer) keepSums(tx *bolt.Tx, key bundleKey, first int) error {
	if first == levels {
		return nil
	}
	var parts []bundlePart
	err := w.eachProbe(tx, func(q *query, spans *[levels][]block.Span, stored [levels][]byte) (err error) {
		for l := range levels {
			if !needsReadings(stored[l]) {
				continue
			}
			stored[l] = nil
			if l >= first && len(spans[l]) > 0 {
				stored[l], err = w.enc.AppendSpans(nil, spanMillis[l], spans[l])
			}
		}
		parts = append(parts, bundlePart{string(q.probe), stored[:]})
		return err
	}, key)
	return cmp.Or(err, putTable(tx, key.bytes(), tableBundle(key.bytes(), parts)))
}
