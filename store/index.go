package store

import (
	"bytes"
	"cmp"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// index returns the bundles that a transaction sees.
func (r *recordFile) index(tx *bolt.Tx) ([]entry, error) {
	raw, sums := tx.Bucket([]byte(rootRaw)), tx.Bucket([]byte(rootTable))
	now := &index{db: tx.DB(), raw: raw.Sequence(), sums: sums.Sequence()}
	if i := r.indexed.Load(); i.db == now.db && i.raw == now.raw && i.sums == now.sums {
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
func (r *recordFile) lastIndex() []entry { return r.indexed.Load().entries }

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

func find(entries []entry, key bundleKey) (at int, ok bool) {
	return slices.BinarySearchFunc(entries, key, func(e entry, k bundleKey) int { return e.key.compare(k) })
}
