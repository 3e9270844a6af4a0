package store

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"dewline/sensors"
	"dewline/store/block"
)

// A plan is what one flush writes.
type plan struct {
	sealed  []*hour       // not on disk yet
	fresh   bool          // slots and parts begin anew: an hour was sealed
	taken   []takenSeries // records of the open hour up to now
	day     *dayPlan      // hours that become one day, nil for none
	leaving leaving       // past their age, or in the way of alarms
	archive *archiving
	also    Commit // state only where it is not the stored one
	names   bool   // there are probes that the file does not know
}

// beside reports whether there is anything but readings of the open hour.
func (p *plan) beside() bool {
	return p.fresh || p.names || p.day != nil || p.leaving.count() > 0 || p.archive != nil ||
		p.also.State != nil || len(p.also.Docs)+len(p.also.Journal) > 0
}

// takenSeries are records of one probe that are being written.
type takenSeries struct {
	p      *openProbe
	recs   []block.Record // all open ones at the time of planning, or those of an hour
	inFile                // nothing where all is written afresh
	num    int
	isNew  bool
}

// roomTries is how many old bundles one write may take out to find its room.
const roomTries = 8

// withRoom runs write and, while that fails for want of room under the cap,
// takes out the oldest readings and runs it again. The caller holds the flushing
// token.
func (w *writer) withRoom(write func() error) error {
	err := write()
	for range roomTries {
		if !errors.Is(err, bolterrors.ErrMaxSizeReached) {
			return err
		}
		if rerr := w.resync(); rerr != nil {
			return errors.Join(err, rerr)
		}
		oldest := w.expired(1, true)
		if oldest.count() == 0 {
			return err
		}
		if derr := w.drop(oldest); derr != nil {
			return errors.Join(err, derr)
		}
		err = write()
	}
	return err
}

// plan decides what to write, reading what it must for that.
func (w *writer) plan(c Commit) *plan {
	p := &plan{also: c}
	if c.State != nil {
		if have, err := w.State(); err == nil && bytes.Equal(have, c.State) {
			p.also.State = nil
		}
	}
	w.mu.Lock()
	next := 0 // the first number that no probe has
	for _, o := range w.mem.order {
		next = max(next, o.num+1)
	}
	p.sealed = slices.Clone(w.mem.waiting)
	p.fresh = len(p.sealed) > 0 || w.rewrite
	for _, o := range w.mem.order {
		if len(o.recs) == 0 {
			continue
		}
		t := takenSeries{p: o, recs: o.recs[:len(o.recs):len(o.recs)], num: o.num}
		if !p.fresh {
			t.inFile = o.inFile
		}
		if t.num < 0 {
			t.num, t.isNew, p.names = next, true, true
			next++
		}
		o.taken = len(o.recs)
		p.taken = append(p.taken, t)
	}
	w.mu.Unlock()
	if w.unchecked.Load() {
		return p // nothing is taken out of pages that nobody looked at
	}
	var err error
	if p.day, err = w.planDay(); err != nil {
		w.damagedRecord(fmt.Errorf("gather hours into a day: %w", err))
	}
	if p.day == nil {
		const most = 8 // so that no flush is long
		p.leaving = w.expired(most, false)
	}
	now := time.Duration(w.newest()) * time.Millisecond
	if p.archive, err = w.planArchive(now); err != nil {
		w.damagedRecord(fmt.Errorf("archive the journal: %w", err))
	}
	if p.archive != nil && p.archive.packed == nil {
		told := p.archive.told(sensors.Instant{Mono: now, Wall: w.now()})
		p.also.Journal = append(slices.Clone(p.also.Journal), told)
	}
	return p
}

// carryOut writes the plan and then tells memory.
func (w *writer) carryOut(p *plan) error {
	o, err := w.planOpen(p)
	if err != nil {
		return err
	}
	if o.set != nil && !o.part {
		o.slot.set = o.set
		if err := w.writeAt(o.slot.bytes(), o.after.at+int64(o.slot.page)*pageSize); err != nil {
			return err
		}
		o.after.wrote(o.slot)
	}
	if o.part || p.beside() {
		if err := w.update(func(tx *bolt.Tx) error { return w.put(tx, p, o) }); err != nil {
			return err
		}
	}
	w.open, w.rewrite = o.after, w.rewrite && !p.fresh
	w.mu.Lock()
	w.mem.forget(func(h *hour) bool { return slices.Contains(p.sealed, h) })
	for _, t := range p.taken {
		t.p.num, t.p.inFile = t.num, o.inFile(t)
	}
	w.mu.Unlock()
	if o.set == nil || o.after.at != 0 && !p.names {
		return nil
	}
	// The batches that follow are in no transaction: both roots have to lead to them.
	return w.update(func(tx *bolt.Tx) error { return putGen(tx, o.after.gen) })
}

// put writes what of a plan is not in a slot.
func (w *writer) put(tx *bolt.Tx, p *plan, o *openWrite) error {
	for _, h := range p.sealed {
		if err := h.put(tx); err != nil {
			return err
		}
	}
	if err := w.putOpen(tx, p, o); err != nil {
		return err
	}
	if p.day != nil {
		if err := p.day.put(tx); err != nil {
			return err
		}
	}
	if p.archive != nil {
		if err := p.archive.put(tx); err != nil {
			return err
		}
	}
	return cmp.Or(w.letGoOf(tx, p.leaving, 0), putCommit(tx, p.also))
}

type openWrite struct {
	set    []byte // what is to be written, nil for nothing
	part   bool   // as a part, with all that slots hold; else to slot
	slot   slot
	closes bool // the chunk before is full
	after  openHour
}

// inFile is what of a probe's open records is in the file after the write.
func (o *openWrite) inFile(t takenSeries) inFile {
	switch all := len(t.recs); {
	case o.part:
		return inFile{all, all, all}
	case o.closes:
		return inFile{t.parted, t.written, all}
	default:
		return inFile{t.parted, t.closed, all}
	}
}

// planOpen decides where the records of the open hour go that are not on disk: into a slot
// or, where none has the room or an hour was sealed, into a part with those that slots hold.
func (w *writer) planOpen(p *plan) (o *openWrite, err error) {
	if err := w.view(func(tx *bolt.Tx) error { // it may be another file by now
		w.open.at, w.open.gen = slotsAt(tx)
		return nil
	}); err != nil {
		return nil, err
	}
	o = &openWrite{after: w.open}
	any := slices.ContainsFunc(p.taken, func(t takenSeries) bool { return t.written < len(t.recs) })
	if !p.fresh {
		if !any {
			return o, nil
		}
		if fits, err := w.planSlot(p, o); fits || err != nil {
			return o, err
		}
	}
	o.after.openSlots = openSlots{at: w.open.at, gen: w.open.gen + 1}
	if o.part = any; any {
		o.set, err = w.encodeOpen(p.taken, func(t takenSeries) int { return t.parted })
	}
	return o, err
}

// planSlot decides on a slot; false where there is none with the room.
func (w *writer) planSlot(p *plan, o *openWrite) (fits bool, err error) {
	o.set, err = w.encodeOpen(p.taken, func(t takenSeries) int { return t.closed })
	if o.closes = len(o.set) > slotBytes; o.closes && err == nil {
		o.set, err = w.encodeOpen(p.taken, func(t takenSeries) int { return t.written })
		o.after.close()
	}
	if err != nil || len(o.set) > slotBytes {
		return false, err
	}
	o.slot, fits = o.after.next()
	return fits, nil
}

// putOpen writes what the open hour has beside its slots.
func (w *writer) putOpen(tx *bolt.Tx, p *plan, o *openWrite) error {
	for _, t := range p.taken {
		if t.isNew || w.rewrite {
			if err := putDoc(tx, bucketProbes, probeKey(t.num), []byte(t.p.id)); err != nil {
				return err
			}
		}
	}
	if p.fresh {
		for _, name := range partNames(tx) {
			if err := tx.DeleteBucket(name); err != nil {
				return err
			}
		}
	}
	if o.after.gen != w.open.gen {
		if err := putGen(tx, o.after.gen); err != nil {
			return err
		}
	}
	if !o.part {
		return nil
	}
	b, err := tx.CreateBucket(partName(o.after.part))
	if err == nil {
		err = b.Put([]byte(valueKey), o.set)
	}
	o.after.part++
	return err
}

// encodeOpen packs each probe's records from an index on.
func (w *writer) encodeOpen(taken []takenSeries, from func(takenSeries) int) ([]byte, error) {
	var ids []int
	var series [][]block.Record
	for _, t := range taken {
		if recs := t.recs[from(t):]; len(recs) > 0 {
			ids, series = append(ids, t.num), append(series, recs)
		}
	}
	return w.enc.AppendSet(nil, ids, series)
}

// putCommit writes all of a commit inside tx.
func putCommit(tx *bolt.Tx, c Commit) error {
	if c.State != nil {
		c.Docs = append(c.Docs[:len(c.Docs):len(c.Docs)], Doc{bucketState, keyState, c.State})
	}
	for _, d := range c.Docs {
		if err := putDoc(tx, d.Bucket, []byte(d.Key), d.Value); err != nil {
			return err
		}
	}
	return putJournal(tx, c.Journal)
}
