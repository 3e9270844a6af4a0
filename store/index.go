package store

import (
	"bytes"
	"cmp"
	"math"
	"slices"

	bolt "go.etcd.io/bbolt"
)

// resync makes the index agree with the file after a commit that may or may not
// have happened, and has the open hour written afresh. The caller holds the
// flushing token.
func (w *writer) resync() error {
	if !w.stale.Load() {
		return nil
	}
	w.layout.Lock()
	defer w.layout.Unlock()
	var onDisk []*entry
	err := w.view(func(tx *bolt.Tx) (err error) {
		onDisk, err = loadIndex(tx)
		return err
	})
	if h := w.current(); h != nil && isDamage(err) {
		w.letGo(h) // the next write sets it aside
	}
	if err != nil {
		return err
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.mem.reconcile(onDisk)
	w.lastSum.Store(0)
	w.rewrite = true
	w.stale.Store(false)
	return nil
}

// reconcile takes over what is on disk; hours that are not there stay waiting.
func (m *memory) reconcile(onDisk []*entry) {
	have := make(map[string]*entry, len(m.entries))
	for _, e := range m.entries {
		have[string(e.name)] = e
	}
	next := memory{}
	for _, d := range onDisk {
		if e := have[string(d.name)]; e != nil {
			e.raw, e.table, e.noRaw = nil, nil, d.noRaw
			d = e
			delete(have, string(d.name))
		}
		next.insert(d)
	}
	for _, e := range have {
		if e.raw != nil {
			next.insert(e)
		} else {
			e.gone = true
		}
	}
	m.entries = next.entries
	for _, p := range m.order {
		p.inFile = inFile{}
	}
}

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
