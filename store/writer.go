package store

import (
	"fmt"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// A writer brings readings and what goes with them into the file, and at the start
// takes back what is there.
type writer struct {
	*series
	flushing token    // holds one token: a write, or a part of upkeep; guards what follows
	open     openHour // the open hour in the file
	enc      block.Encoder
	settled  uint64 // days with a seq up to this are long enough by themselves
	rewrite  bool   // the next write does the open hour afresh
	attached bool   // the file was open before
}

// eachProbe unpacks all that bundles, which are about to go, have of each probe: its
// readings, its rollups, and what is stored of these in the last bundle.
func (w *writer) eachProbe(tx *bolt.Tx, use func(*query, *[levels][]block.Span, [levels][]byte) error, keys ...bundleKey) error {
	defer w.dirs.clear()
	w.enc.Quick = false
	for i, probe := range w.probesOf(tx, keys) {
		q := newQuery(w.series, sensors.ProbeID(probe))
		q.place = i
		var spans [levels][]block.Span
		var stored [levels][]byte
		for _, key := range keys {
			stored = q.all(tx, key, &spans)
		}
		err := use(q, &spans, stored)
		if q.release(); err != nil {
			return err
		}
	}
	return nil
}

// probesOf lists the probes that bundles have, and counts what cannot be told apart. Of
// rollups there may be none, as the readings tell all.
func (s *series) probesOf(tx *bolt.Tx, keys []bundleKey) (probes []string) {
	met := make(map[string]bool)
	for _, root := range [...]string{rootRaw, rootTable} {
		for _, key := range keys {
			b := bucketValue(tx.Bucket([]byte(root)).Bucket(key.bytes()))
			parts, err := readParts(b)
			if err != nil && (b != nil || root == rootRaw) {
				s.damagedRecord(fmt.Errorf("%s of all probes, %s: %w", held(root), key, err))
				parts, _ = readParts(mended(b))
			}
			for _, p := range parts {
				if !met[p.probe] {
					met[p.probe], probes = true, append(probes, p.probe)
				}
			}
		}
	}
	return probes
}
