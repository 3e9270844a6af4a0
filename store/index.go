package store

import (
	"bytes"
	"cmp"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// An entry is one bundle of the file, as its name tells.
type entry struct {
	key   bundleKey
	noRaw bool // readings are past their age; rollups are kept
}

// An index lists the bundles of the file by seq, days before later hours. It is that of a
// file as long as nothing is put into the roots of bundles or taken out, which they count.
type index struct {
	db        *bolt.DB
	raw, sums uint64
	entries   []entry
}

// index returns the bundles that a transaction sees.
func (r *recordFile) index(tx *bolt.Tx) ([]entry, error) {
	raw, sums := tx.Bucket([]byte(rootRaw)), tx.Bucket([]byte(rootTable))
	now := &index{db: tx.DB(), raw: raw.Sequence(), sums: sums.Sequence()}
	if i := r.indexed.Load(); i != nil && i.db == now.db && i.raw == now.raw && i.sums == now.sums {
		return i.entries, nil
	}
	if err := now.read(raw, sums); err != nil {
		return nil, err
	}
	r.touched(tx, mostMapped) // names are on pages everywhere
	if !tx.Writable() {       // or it may never be
		r.indexed.Store(now)
	}
	return now.entries, nil
}

// lastIndex is the index as last read: after each commit, and so that of the file but for
// a moment, and of one that had to be let go of.
func (r *recordFile) lastIndex() []entry {
	if i := r.indexed.Load(); i != nil {
		return i.entries
	}
	return nil
}

// read lists bundles by their names alone. A name that is damaged, or out of order as
// where a tree runs in a circle, is a damaged file: each bundle has its name inside as
// well, by which it comes back.
func (i *index) read(raw, sums *bolt.Bucket) error {
	for _, b := range [...]*bolt.Bucket{raw, sums} {
		c := b.Cursor()
		both, last := i.entries, []byte(nil)
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			key, ok := parseKey(k)
			if !ok || bytes.Compare(k, last) <= 0 {
				return badf("the name of a bundle is damaged or out of order")
			}
			last = k
			if _, met := find(both, key); !met {
				i.entries = append(i.entries, entry{key, b == sums})
			}
		}
	}
	slices.SortFunc(i.entries, func(a, b entry) int { return a.key.compare(b.key) })
	return nil
}

// compare orders keys by seq, and tells different ones apart.
func (k bundleKey) compare(o bundleKey) int {
	return cmp.Or(cmp.Compare(k.seq, o.seq), cmp.Compare(k.level, o.level),
		cmp.Compare(k.wallMin, o.wallMin), cmp.Compare(k.wallMax, o.wallMax),
		cmp.Compare(k.monoMin, o.monoMin), cmp.Compare(k.monoMax, o.monoMax))
}

// find returns where the bundle of a key is among entries.
func find(entries []entry, key bundleKey) (at int, ok bool) {
	return slices.BinarySearchFunc(entries, key, func(e entry, k bundleKey) int { return e.key.compare(k) })
}

// newest is the latest running time on record.
func (s *series) newest() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	newest := int64(math.MinInt64)
	for _, e := range s.lastIndex() {
		newest = max(newest, e.key.monoMax)
	}
	for _, h := range s.mem.waiting {
		newest = max(newest, h.key.monoMax)
	}
	for _, p := range s.mem.order {
		if n := len(p.recs); n > 0 {
			newest = max(newest, p.recs[n-1].Mono)
		}
	}
	return newest
}

// forget takes hours that are in the file out of those that wait for that.
func (m *memory) forget(gone func(h *hour) bool) {
	m.waiting = slices.DeleteFunc(slices.Clone(m.waiting), gone) // a query may look at the others
}
