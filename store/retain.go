package store

import (
	"errors"
	"slices"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"dewline/sensors"
	"dewline/store/block"
)

// reserve is the part of the cap that readings leave free for alarms, for the
// copies that a commit makes before it frees the old pages, and for holes too
// small for a day.
func reserve(limit int64) int64 { return max(limit/8, min(limit/3, 2<<20)) }

// expired returns as many bundles as it may whose readings are past their age or, when the
// file nears its cap, the oldest one with readings or else the oldest of all; and those to
// drop whole.
func (w *writer) expired(most int, full bool) (dropRaw, dropAll []entry) {
	_, used := w.sizes()
	k := w.kept.Load()
	full = full || used > k.MaxBytes-reserve(k.MaxBytes)
	now, entries := w.newest(), w.lastIndex()
	keepRaw, keepTable := k.KeepRaw.Milliseconds(), k.KeepTable.Milliseconds()
	for _, e := range entries {
		if len(dropRaw)+len(dropAll) >= most {
			break
		}
		age := now - e.key.monoMax
		switch {
		case keepTable > 0 && age > keepTable:
			dropAll = append(dropAll, e)
		case !e.noRaw && (age > keepRaw || full):
			dropRaw = append(dropRaw, e)
			full = false
		}
	}
	if full && len(dropRaw)+len(dropAll) == 0 && len(entries) > 0 {
		dropAll = append(dropAll, entries[0])
	}
	return dropRaw, dropAll
}

// drop only takes bundles out, for want of room: of the rollups that their readings tell
// it keeps the hours, and where there is no room for these, none.
func (w *writer) drop(p *plan) error {
	err := w.update(func(tx *bolt.Tx) error { return w.dropPlanned(tx, p, int(Hour)-1) })
	if errors.Is(err, bolterrors.ErrMaxSizeReached) {
		err = w.update(func(tx *bolt.Tx) error { return w.dropPlanned(tx, p, levels) })
	}
	return err
}

// dropPlanned takes out what is past its age: readings alone, or rollups with them. Rollups
// that the readings tell are stored first, those of the levels from first on.
func (w *writer) dropPlanned(tx *bolt.Tx, p *plan, first int) error {
	for _, e := range p.dropRaw {
		if err := w.keepSums(tx, e.key, first); err != nil {
			return err
		}
		if err := dropBundle(tx, rootRaw, e.key.bytes()); err != nil {
			return err
		}
	}
	for _, e := range p.dropAll {
		if err := dropBundles(tx, e.key.bytes()); err != nil {
			return err
		}
	}
	return nil
}

// A plan is what one flush writes.
type plan struct {
	sealed  []*hour       // not on disk yet
	fresh   bool          // slots and parts begin anew: an hour was sealed
	taken   []takenSeries // records of the open hour up to now
	day     *dayPlan      // hours that become one day, nil for none
	dropRaw []entry       // past their age, or in the way of alarms
	dropAll []entry
	archive *archiving
	also    Commit // state only where it is not the stored one
}

// empty reports whether there is nothing to write, so that an idle daemon does not
// wear the card.
func (p *plan) empty() bool {
	fresh := 0
	for _, t := range p.taken {
		fresh += len(t.recs) - t.written
	}
	return fresh == 0 && !p.beside()
}

// beside reports whether there is anything but readings of the open hour.
func (p *plan) beside() bool {
	return len(p.sealed) > 0 || p.day != nil || len(p.dropRaw)+len(p.dropAll) > 0 || p.archive != nil ||
		p.also.State != nil || len(p.also.Docs)+len(p.also.Journal) > 0 || p.names()
}

// names reports whether there are probes that the file does not know.
func (p *plan) names() bool {
	return slices.ContainsFunc(p.taken, func(t takenSeries) bool { return t.isNew })
}

// takenSeries are records of one probe that are being written.
type takenSeries struct {
	p      *openProbe
	recs   []block.Record // all open ones at the time of planning, or those of an hour
	inFile                // nothing where all is written afresh
	num    int
	isNew  bool
}

// keepSums stores in full those rollups of a bundle that its readings tell, as these are
// about to go: those of the levels from first on. What is damaged is left out.
func (w *writer) keepSums(tx *bolt.Tx, key bundleKey, first int) error {
	if first == levels {
		return nil
	}
	defer w.dirs.forget(key)
	w.enc.Quick = false
	var parts []bundlePart
	for i, probe := range w.probesOf(tx, key) {
		q := newQuery(w.series, sensors.ProbeID(probe))
		q.place = i
		var spans [levels][]block.Span
		stored := q.all(tx, key, &spans)
		blocks := slices.Clone(stored[:])
		for l := first; l < levels; l++ {
			if len(spans[l]) == 0 || !needsReadings(stored[l]) {
				continue
			}
			if b, err := w.enc.AppendSpans(nil, spanMillis[l], spans[l]); err == nil {
				blocks[l] = b
			}
		}
		q.release()
		parts = append(parts, bundlePart{probe, blocks})
	}
	return putTable(tx, key.bytes(), tableBundle(key.bytes(), parts))
}
