package store

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"dewline/store/block"
)

const (
	// rowBudget is what the rows may take up in the root page before they are
	// gathered into a part; the rest holds the names of the other buckets.
	rowBudget = 3300
	// rowBytes is the longest value whose bucket bbolt keeps inside the root page: a
	// batch is as many rows as that takes, since a page of its own is written whole.
	rowBytes = pageSize/4 - pageHeader - elemSize - len(valueKey)
)

// A plan is what one flush writes.
type plan struct {
	sealed  []*entry      // hours not on disk yet
	fresh   bool          // rows and parts begin anew: an hour was sealed
	taken   []takenSeries // records of the open hour up to now
	day     *dayPlan      // hours that become one day, nil for none
	dropRaw []*entry      // past their age, or in the way of alarms
	dropAll []*entry
	also    Commit // state only where it is not the stored one
}

type takenSeries struct {
	p      *openProbe
	recs   []block.Record // all open records at the time of planning
	parted int
	rowed  int
	num    int
	isNew  bool
}

// Flush is Write of nothing but readings and the engine's state.
func (s *Store) Flush(ctx context.Context, state []byte) error {
	return s.Write(ctx, Commit{State: state})
}

// Write writes the readings since the last one and, in the same transaction, all of c.
// After an error the readings stay in memory and the next Write takes them along; c is
// to be given again. ctx bounds the wait for another flush, not the disk.
func (s *Store) Write(ctx context.Context, c Commit) error {
	if err := c.check(); err != nil {
		return fmt.Errorf("flush the record: %w", err)
	}
	openErr := s.backInPlace(ctx)
	select {
	case s.flushing <- struct{}{}:
	case <-ctx.Done():
		return fmt.Errorf("flush the record: another write is still going on: %w", ctx.Err())
	}
	defer func() { <-s.flushing }()
	if openErr == nil {
		openErr = s.reattach(ctx)
	}
	if openErr == nil {
		openErr = s.resync()
	}
	// Also while the disk takes nothing: sealed hours take up far less memory.
	if err := s.seal(); err != nil {
		return err
	}
	if openErr != nil {
		s.failed(openErr)
		s.trimRefused()
		return fmt.Errorf("flush the record: %w", openErr)
	}
	err := s.withRoom(func() error {
		p := s.plan(c)
		if p.empty() {
			return nil
		}
		return s.carryOut(p)
	})
	if err != nil {
		s.trimRefused()
		return fmt.Errorf("flush the record: %w", err)
	}
	return nil
}

// trimRefused bounds what waits for a disk that takes nothing.
func (s *Store) trimRefused() {
	s.mu.Lock()
	lost := s.mem.trimSealed()
	s.mu.Unlock()
	s.tellLost(lost)
}

// empty reports whether there is nothing to write, so that an idle daemon does not
// wear the card.
func (p *plan) empty() bool {
	fresh := 0
	for _, t := range p.taken {
		fresh += len(t.recs) - t.parted - t.rowed
	}
	return fresh == 0 && len(p.sealed) == 0 && p.day == nil && len(p.dropRaw)+len(p.dropAll) == 0 &&
		p.also.State == nil && len(p.also.Docs)+len(p.also.Journal) == 0
}

// plan decides what to write, reading what it must for that.
func (s *Store) plan(c Commit) *plan {
	p := &plan{also: c}
	if c.State != nil && block.Checksum(c.State) == s.lastSum.Load() {
		p.also.State = nil
	}
	s.mu.Lock()
	next := s.mem.nextNum()
	for _, e := range s.mem.entries {
		if e.raw != nil {
			p.sealed = append(p.sealed, e)
		}
	}
	p.fresh = len(p.sealed) > 0 || s.rewrite
	for _, o := range s.mem.order {
		if len(o.recs) == 0 {
			continue
		}
		t := takenSeries{p: o, recs: o.recs[:len(o.recs):len(o.recs)], parted: o.parted, rowed: o.rowed, num: o.num}
		if t.num < 0 {
			t.num, t.isNew = next, true
			next++
		}
		p.taken = append(p.taken, t)
	}
	s.mu.Unlock()
	if !p.fresh || s.behind() { // one kind of heavy work a flush
		var err error
		if p.day, err = s.planDay(); err != nil {
			s.damagedRecord(fmt.Errorf("gather hours into a day: %w", err))
		}
	}
	if p.day == nil {
		p.dropRaw, p.dropAll = s.expired()
	}
	return p
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
func (s *Store) carryOut(p *plan) error {
	if p.day != nil || len(p.dropRaw)+len(p.dropAll) > 0 {
		s.layout.Lock() // readers must not look for what is being taken out
		defer s.layout.Unlock()
	}
	var w writtenRows
	err := s.update(func(tx *bolt.Tx) (err error) {
		if err := putSealed(tx, p.sealed); err != nil {
			return err
		}
		if w, err = s.putOpen(tx, p); err != nil {
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
		return s.putCommit(tx, p.also)
	})
	if err != nil {
		return err
	}
	if p.also.State != nil {
		s.lastSum.Store(block.Checksum(p.also.State))
	}
	s.rows, s.rewrite = w.rows, s.rewrite && !p.fresh
	s.settle(p, w)
	return nil
}

// drop only takes bundles out, for want of room: of the rollups that their readings tell
// it keeps the hours, and where there is no room for these, none.
func (s *Store) drop(p *plan) error {
	s.layout.Lock()
	defer s.layout.Unlock()
	err := s.update(func(tx *bolt.Tx) error { return dropBundles(tx, p, int(Hour)-1) })
	if errors.Is(err, bolterrors.ErrMaxSizeReached) {
		err = s.update(func(tx *bolt.Tx) error { return dropBundles(tx, p, levels) })
	}
	if err != nil {
		return err
	}
	s.settleDropped(p)
	return nil
}

// settleDropped marks in memory what a plan took out of the file.
func (s *Store) settleDropped(p *plan) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range p.dropRaw {
		e.noRaw = true
	}
	for _, e := range p.dropAll {
		s.mem.remove(e)
	}
}

// settle marks in memory what is on disk now.
func (s *Store) settle(p *plan, w writtenRows) {
	s.settleDropped(p)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, e := range p.sealed {
		e.raw, e.table = nil, nil
	}
	for _, t := range p.taken {
		t.p.num = t.num
		if w.part {
			t.p.parted, t.p.rowed = len(t.recs), 0
		} else {
			t.p.parted, t.p.rowed = w.parted(t), len(t.recs)-w.parted(t)
		}
	}
	if p.day != nil {
		for _, e := range p.day.hours {
			s.mem.remove(e)
		}
		s.mem.insert(p.day.entry)
	}
}

// remove takes an entry out of the index, into a slice of its own: one that was taken
// before stays as it was.
func (m *memory) remove(e *entry) {
	e.gone = true
	for i := range m.entries {
		if m.entries[i] == e {
			m.entries = append(m.entries[:i:i], m.entries[i+1:]...)
			return
		}
	}
}

// putBundle writes one bundle into a bucket of its own.
func putBundle(tx *bolt.Tx, root string, name, value []byte) error {
	parent := tx.Bucket([]byte(root))
	if parent == nil {
		return badf("bucket %s is missing", root)
	}
	parent.FillPercent = 1 // names only ever go up
	b, err := parent.CreateBucket(name)
	if err != nil {
		return err
	}
	return b.Put([]byte(valueKey), value)
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
func (s *Store) putOpen(tx *bolt.Tx, p *plan) (writtenRows, error) {
	w := writtenRows{rows: s.rows, fresh: p.fresh}
	if p.fresh {
		if err := dropOpen(tx, prefixRow, prefixPart); err != nil {
			return w, err
		}
		w.rows.bytes = 0
	}
	rows, cost, err := s.encodeRows(p)
	if err != nil || rows == nil {
		return w, err
	}
	for _, t := range p.taken {
		if t.isNew || s.rewrite {
			if err := putDoc(tx, bucketProbes, probeKey(t.num), []byte(t.p.id)); err != nil {
				return w, err
			}
		}
	}
	prefix := byte(prefixRow)
	if w.part = w.rows.bytes+cost > rowBudget; w.part {
		prefix, cost = prefixPart, -w.rows.bytes
		if err := s.gatherRows(tx, p, &w, &rows); err != nil {
			return w, err
		}
	}
	w.rows.bytes += cost
	for _, row := range rows {
		b, err := tx.CreateBucket(openName(prefix, w.rows.next))
		if err == nil {
			err = b.Put([]byte(valueKey), row)
		}
		if err != nil {
			return w, err
		}
		w.rows.next++
	}
	return w, nil
}

// gatherRows makes one part of the rows in the file and of those that are to be written.
func (s *Store) gatherRows(tx *bolt.Tx, p *plan, w *writtenRows, rows *[][]byte) error {
	if w.rows.bytes == 0 && len(*rows) == 1 {
		return nil
	}
	part, err := s.encodeOpen(p.taken, w.parted)
	if err != nil {
		return err
	}
	*rows = [][]byte{part}
	return dropOpen(tx, prefixRow)
}

// encodeRows packs what no row and no part holds yet, the probes shared out to rows
// that fit in the root page, and tells what those take up there. What is too much for
// that page is one row, and costs more than the page has; nothing is none.
func (s *Store) encodeRows(p *plan) (rows [][]byte, cost int, err error) {
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
			row, err := s.encodeOpen(some, from)
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
func (s *Store) encodeOpen(taken []takenSeries, from func(takenSeries) int) ([]byte, error) {
	var ids []int
	var series [][]block.Record
	for _, t := range taken {
		if recs := t.recs[from(t):]; len(recs) > 0 {
			ids, series = append(ids, t.num), append(series, recs)
		}
	}
	return s.enc.AppendSet(nil, ids, series)
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

// dropBundles takes out what is past its age: readings alone, or rollups with them. Rollups
// that the readings tell are stored first, those of the levels from first on.
func dropBundles(tx *bolt.Tx, p *plan, first int) error {
	for _, e := range p.dropRaw {
		if err := keepSums(tx, e.name, first); err != nil {
			return err
		}
		if err := dropBundle(tx, rootRaw, e.name); err != nil {
			return err
		}
	}
	for _, e := range p.dropAll {
		if err := dropBundle(tx, rootRaw, e.name); err != nil {
			return err
		}
		if err := dropBundle(tx, rootTable, e.name); err != nil {
			return err
		}
	}
	return nil
}

// dropBundle takes one bundle out. One that is not there is no error: that it be gone
// is all that was asked.
func dropBundle(tx *bolt.Tx, root string, name []byte) error {
	b := tx.Bucket([]byte(root))
	if b == nil || b.Bucket(name) == nil {
		return nil
	}
	err := b.DeleteBucket(name)
	if errors.Is(err, bolterrors.ErrBucketNotFound) {
		return nil
	}
	return err
}

// newestMono is the latest running time in memory's view.
func (m *memory) newestMono() int64 {
	newest := int64(math.MinInt64)
	for _, e := range m.entries {
		if e.key.monoMax != math.MaxInt64 {
			newest = max(newest, e.key.monoMax)
		}
	}
	for _, p := range m.order {
		if n := len(p.recs); n > 0 {
			newest = max(newest, p.recs[n-1].Mono)
		}
	}
	return newest
}
