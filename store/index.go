package store

import (
	"bytes"
	"cmp"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// loadIndex lists the bundles on disk by their names alone. A name that is damaged, or out
// of order as where a tree runs in a circle, is a damaged file: each bundle has its name
// inside as well, by which it comes back.
func loadIndex(tx *bolt.Tx) ([]*entry, error) {
	var m memory
	byKey := make(map[bundleKey]*entry)
	for _, root := range [...]string{rootRaw, rootTable} {
		c := tx.Bucket([]byte(root)).Cursor()
		var last []byte
		for k, _ := c.First(); k != nil; k, _ = c.Next() {
			key, ok := parseKey(k)
			if !ok || bytes.Compare(k, last) <= 0 {
				return nil, badf("the name of a bundle of %s is damaged or out of order", kindWord(kindOf(root)))
			}
			last = k
			if byKey[key] == nil {
				byKey[key] = &entry{key: key, name: slices.Clone(k), noRaw: root == rootTable}
				m.insert(byKey[key])
			}
		}
	}
	return m.entries, nil
}

// newestMono is the latest running time in memory's view.
func (m *memory) newestMono() int64 {
	newest := int64(math.MinInt64)
	for _, e := range m.entries {
		newest = max(newest, e.key.monoMax)
	}
	for _, p := range m.order {
		if n := len(p.recs); n > 0 {
			newest = max(newest, p.recs[n-1].Mono)
		}
	}
	return newest
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

// insert puts an entry in its place by seq, days before later hours.
func (m *memory) insert(e *entry) {
	at, _ := slices.BinarySearchFunc(m.entries, e, func(a, b *entry) int {
		return cmp.Compare(a.key.seq, b.key.seq)
	})
	m.entries = slices.Insert(m.entries, at, e)
}
