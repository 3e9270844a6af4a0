package store

import (
	"fmt"
	"slices"
	"sync/atomic"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// A writer brings readings and what goes with them into the file, and at the start
// takes back what is there.
type writer struct {
	*series
	chain    *chain
	flushing token                     // holds one token: a write, or a part of upkeep; guards what follows
	rows     openRows                  // of the open hour in the file
	enc      block.Encoder             // for them
	encs     [maxWorkers]block.Encoder // one for each goroutine of share
	rewrite  bool                      // the next write does the open hour afresh
	attached bool                      // the file was open before
	lastSum  atomic.Uint32             // checksum of the state as stored, 0 if not known
}

const (
	// rowBudget is what the rows may take up in the root page before they are
	// gathered into a part; the rest holds the names of the other buckets.
	rowBudget = 3300
	// rowBytes is the longest value whose bucket bbolt keeps inside the root page: a
	// batch is as many rows as that takes, since a page of its own is written whole.
	rowBytes = pageSize/4 - pageHeader - elemSize - len(valueKey)
)

// trimRefused bounds what waits for a disk that takes nothing.
func (w *writer) trimRefused() {
	w.mu.Lock()
	lost := w.mem.trimSealed()
	w.mu.Unlock()
	w.tellLost(lost)
}

// plan decides what to write, reading what it must for that.
func (w *writer) plan(c Commit) *plan {
	p := &plan{also: c}
	if c.State != nil && block.Checksum(c.State) == w.lastSum.Load() {
		p.also.State = nil
	}
	w.mu.Lock()
	next := w.mem.nextNum()
	for _, e := range w.mem.entries {
		if e.raw != nil {
			p.sealed = append(p.sealed, e)
		}
	}
	p.fresh = len(p.sealed) > 0 || w.rewrite
	for _, o := range w.mem.order {
		if len(o.recs) == 0 {
			continue
		}
		t := takenSeries{p: o, recs: o.recs[:len(o.recs):len(o.recs)], parted: o.parted, rowed: o.rowed, num: o.num}
		if t.num < 0 {
			t.num, t.isNew = next, true
			next++
		}
		o.taken = len(o.recs)
		p.taken = append(p.taken, t)
	}
	w.mu.Unlock()
	if w.unchecked.Load() {
		return p // nothing is taken out of pages that nobody looked at
	}
	if !p.fresh || w.behind() { // one kind of heavy work a flush
		var err error
		if p.day, err = w.planDay(); err != nil {
			w.damagedRecord(fmt.Errorf("gather hours into a day: %w", err))
		}
	}
	if p.day == nil {
		p.dropRaw, p.dropAll = w.expired()
	}
	w.planJournal(p)
	return p
}

// planJournal adds what is to become of old entries of the journal.
func (w *writer) planJournal(p *plan) {
	w.mu.Lock()
	now := time.Duration(w.mem.newestMono()) * time.Millisecond
	w.mu.Unlock()
	var err error
	if p.archive, err = w.planArchive(now); err != nil {
		w.damagedRecord(fmt.Errorf("archive the journal: %w", err))
	}
	if p.archive != nil && p.archive.packed == nil {
		told := p.archive.told(sensors.Instant{Mono: now, Wall: w.now()})
		p.also.Journal = append(slices.Clone(p.also.Journal), told)
	}
}

// nextNum is the first number that no probe has.
func (m *memory) nextNum() int {
	next := 0
	for _, o := range m.order {
		next = max(next, o.num+1)
	}
	return next
}

// carryOut writes the plan and then tells memory.
func (w *writer) carryOut(p *plan) error {
	if p.day != nil || len(p.dropRaw)+len(p.dropAll) > 0 {
		w.layout.Lock() // readers must not look for what is being taken out
		defer w.layout.Unlock()
	}
	var done writtenRows
	err := w.update(func(tx *bolt.Tx) (err error) {
		if err := putSealed(tx, p.sealed); err != nil {
			return err
		}
		if done, err = w.putOpen(tx, p); err != nil {
			return err
		}
		if p.day != nil {
			if err := p.day.put(tx); err != nil {
				return err
			}
		}
		if err := dropBundles(tx, p, 0); err != nil {
			return err
		}
		if p.archive != nil {
			if err := p.archive.put(tx); err != nil {
				return err
			}
		}
		return w.putCommit(tx, p.also)
	})
	if err != nil {
		return err
	}
	if p.also.State != nil {
		w.lastSum.Store(block.Checksum(p.also.State))
	}
	w.rows, w.rewrite = done.rows, w.rewrite && !p.fresh
	w.settle(p, done)
	return nil
}

// settle marks in memory what is on disk now.
func (w *writer) settle(p *plan, done writtenRows) {
	w.settleDropped(p)
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, e := range p.sealed {
		e.raw, e.table = nil, nil
	}
	for _, t := range p.taken {
		t.p.num = t.num
		if done.part {
			t.p.parted, t.p.rowed = len(t.recs), 0
		} else {
			t.p.parted, t.p.rowed = done.parted(t), len(t.recs)-done.parted(t)
		}
	}
	if p.day != nil {
		for _, e := range p.day.hours {
			w.mem.remove(e)
		}
		w.mem.insert(p.day.entry)
	}
}

// putSealed writes sealed hours. An hour's name is new, so one that is there already is
// an error and not overwritten.
func putSealed(tx *bolt.Tx, sealed []*entry) error {
	for _, e := range sealed {
		if err := putBundle(tx, rootRaw, e.name, e.raw); err != nil {
			return err
		}
		if e.table == nil {
			continue
		}
		if err := putBundle(tx, rootTable, e.name, e.table); err != nil {
			return err
		}
	}
	return nil
}

// writtenRows tells how the open hour was written.
type writtenRows struct {
	rows  openRows
	part  bool
	fresh bool
}

// parted is how many records of t are in parts after the write.
func (w writtenRows) parted(t takenSeries) int {
	if w.fresh {
		return 0
	}
	return t.parted
}

// putOpen writes the records of the open hour that are not on disk: as rows,
// or with the rows so far as a part when the root page has no more room.
func (w *writer) putOpen(tx *bolt.Tx, p *plan) (writtenRows, error) {
	done := writtenRows{rows: w.rows, fresh: p.fresh}
	if p.fresh {
		if err := dropOpen(tx, prefixRow, prefixPart); err != nil {
			return done, err
		}
		done.rows.bytes = 0
	}
	rows, cost, err := w.encodeRows(p)
	if err != nil || rows == nil {
		return done, err
	}
	for _, t := range p.taken {
		if t.isNew || w.rewrite {
			if err := putDoc(tx, bucketProbes, probeKey(t.num), []byte(t.p.id)); err != nil {
				return done, err
			}
		}
	}
	prefix := byte(prefixRow)
	if done.part = done.rows.bytes+cost > rowBudget; done.part {
		prefix, cost = prefixPart, -done.rows.bytes
		if err := w.gatherRows(tx, p, &done, &rows); err != nil {
			return done, err
		}
	}
	done.rows.bytes += cost
	for _, row := range rows {
		b, err := tx.CreateBucket(openName(prefix, done.rows.next))
		if err == nil {
			err = b.Put([]byte(valueKey), row)
		}
		if err != nil {
			return done, err
		}
		done.rows.next++
	}
	return done, nil
}

// gatherRows makes one part of the rows in the file and of those that are to be written.
func (w *writer) gatherRows(tx *bolt.Tx, p *plan, done *writtenRows, rows *[][]byte) error {
	if done.rows.bytes == 0 && len(*rows) == 1 {
		return nil
	}
	part, err := w.encodeOpen(p.taken, done.parted)
	if err != nil {
		return err
	}
	*rows = [][]byte{part}
	return dropOpen(tx, prefixRow)
}

// encodeRows packs what no row and no part holds yet, the probes shared out to rows
// that fit in the root page, and tells what those take up there. What is too much for
// that page is one row, and costs more than the page has; nothing is none.
func (w *writer) encodeRows(p *plan) (rows [][]byte, cost int, err error) {
	from := func(t takenSeries) int {
		if p.fresh {
			return 0
		}
		return t.parted + t.rowed
	}
	taken := slices.DeleteFunc(slices.Clone(p.taken), func(t takenSeries) bool { return from(t) == len(t.recs) })
	for n, fit := len(taken), len(taken) == 0; !fit; n = (n + 1) / 2 {
		rows, cost, fit = rows[:0], 0, true
		for some := range slices.Chunk(taken, n) {
			row, err := w.encodeOpen(some, from)
			if err != nil {
				return nil, 0, err
			}
			fit = fit && len(row) <= rowBytes
			rows, cost = append(rows, row), cost+rowCost(row)
		}
		if len(rows) == 1 && len(rows[0]) > rowBudget {
			return rows, len(rows[0]), nil
		}
		fit = fit || n == 1
	}
	return rows, cost, nil
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

// dropOpen takes all rows or parts out of the file.
func dropOpen(tx *bolt.Tx, prefixes ...byte) error {
	for _, prefix := range prefixes {
		for _, name := range openNames(tx, prefix) {
			if err := tx.DeleteBucket(name); err != nil {
				return err
			}
		}
	}
	return nil
}

// putCommit writes all of a commit inside tx.
func (w *writer) putCommit(tx *bolt.Tx, c Commit) error {
	for _, d := range c.Docs {
		if err := putDoc(tx, d.Bucket, []byte(d.Key), d.Value); err != nil {
			return err
		}
	}
	if err := w.chain.putJournal(tx, c.Journal); err != nil {
		return err
	}
	if c.State != nil {
		return putDoc(tx, bucketState, []byte("engine"), c.State)
	}
	return nil
}

// openRows tells what the open hour has on disk.
type openRows struct {
	next  uint64 // number of the next row or part
	bytes int    // that rows take up in the root page
}
