package store

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/sensors"
	"dewline/store/block"
)

// load takes the index of bundles, the probes, the open hour and the journal's
// head into memory, in front of what memory already holds. A file without one of its roots
// is damaged, so that nobody has to look for that later.
func (w *writer) load(tx *bolt.Tx, rep *Report) error {
	for _, root := range allRoots() {
		if tx.Bucket([]byte(root)) == nil {
			return badf("bucket %s is missing", root)
		}
	}
	names, err := loadProbes(tx)
	if err != nil {
		return err
	}
	entries, err := w.index(tx)
	if err != nil {
		return err
	}
	recs, open := w.loadOpen(tx)
	dropped := w.dropSealed(tx, entries, names, recs)
	w.open = open
	w.mu.Lock()
	defer w.mu.Unlock()
	if v, err := getDoc(tx, bucketSelf, []byte(keyLastSeq)); err == nil && len(v) == 8 {
		w.mem.nextSeq = max(w.mem.nextSeq, binary.BigEndian.Uint64(v)+1)
	}
	for _, e := range entries {
		w.mem.nextSeq = max(w.mem.nextSeq, e.key.seq+1)
	}
	w.rewrite = w.mem.adopt(names, recs, w.attached) || dropped
	w.mem.forget(func(h *hour) bool { // a commit that failed, it seemed
		_, there := find(entries, h.key)
		return there
	})
	w.attached = true
	rep.ends(recs, entries)
	// What was written at once may be newer than the last batch of readings.
	rep.LastMono = max(rep.LastMono, lastEntry(tx))
	return nil
}

// keyLastSeq is the document with the highest number that a bundle of a salvaged
// file had.
const keyLastSeq = "last-bundle"

// ends notes how many readings the open hours have, and when the last of all were taken.
func (r *Report) ends(open map[int]*loadedSeries, sealed []entry) {
	r.Readings = 0
	newest := int64(math.MinInt64)
	note := func(mono, wall int64) {
		r.LastMono = max(r.LastMono, time.Duration(mono)*time.Millisecond)
		newest = max(newest, wall)
	}
	for _, o := range open {
		r.Readings += len(o.recs)
		for i := range o.recs {
			note(o.recs[i].Mono, o.recs[i].Wall)
			if at := instantOf(&o.recs[i]); at.Synced && at.Mono > r.LastSet.Mono {
				r.LastSet = at
			}
		}
	}
	for _, e := range sealed {
		note(e.key.monoMax, e.key.wallMax)
	}
	if newest > math.MinInt64 {
		r.LastWall = time.UnixMilli(newest).UTC()
	}
}

// resync takes in what the file has after a commit that may or may not have happened. The
// caller holds the flushing token.
func (w *writer) resync() error {
	if !w.stale.Load() {
		return nil
	}
	err := w.view(func(tx *bolt.Tx) error { return w.load(tx, &Report{}) })
	if h := w.current(); h != nil && isDamage(err) {
		w.letGo(h) // the next write sets it aside
	}
	if err == nil {
		w.stale.Store(false)
	}
	return err
}

// loadedSeries is what the open hour had on disk for one probe.
type loadedSeries struct {
	recs   []block.Record
	parted int // how many of them came from parts
}

// adopt merges what was loaded with what memory holds already. again says that
// this process had the file open before, so that memory holds all of the open
// hour and the file part of it; otherwise memory's records are the newer ones.
// It reports whether the open hour has to be written afresh.
func (m *memory) adopt(names map[int]sensors.ProbeID, open map[int]*loadedSeries, again bool) (rewrite bool) {
	rewrite = m.total > 0 || again && len(m.waiting) > 0
	for _, p := range m.order {
		p.num, p.inFile, p.taken = -1, inFile{}, 0
	}
	for _, num := range slices.Sorted(maps.Keys(names)) {
		p := m.probe(names[num])
		p.num = num
		o := open[num]
		if o == nil {
			continue
		}
		if again {
			o.recs = slices.DeleteFunc(o.recs, func(r block.Record) bool {
				return len(p.recs) > 0 && r.Mono >= p.recs[0].Mono || m.sealed(r.Mono)
			})
		}
		p.recs = append(o.recs, p.recs...)
		m.total += len(o.recs)
		if !rewrite {
			p.inFile = inFile{o.parted, len(o.recs), len(o.recs)}
		}
	}
	return rewrite
}

// sealed reports whether a reading of that running time is in a bundle that waits
// for the disk, whose batches are still in the file.
func (m *memory) sealed(mono int64) bool {
	return slices.ContainsFunc(m.waiting, func(h *hour) bool { return h.key.monoMin <= mono && mono <= h.key.monoMax })
}

// loadProbes reads the numbers that batches know the probes by.
func loadProbes(tx *bolt.Tx) (map[int]sensors.ProbeID, error) {
	names := make(map[int]sensors.ProbeID)
	b := docBucket(tx, bucketProbes)
	if b == nil {
		return names, nil
	}
	err := b.ForEach(func(k, v []byte) error {
		name, err := openEnvelope(bucketProbes, k, v)
		if err != nil || len(k) != 2 {
			return nil // its readings cannot be named
		}
		names[int(binary.BigEndian.Uint16(k))] = sensors.ProbeID(name)
		return nil
	})
	return names, err
}

// loadOpen reads the parts and slots of the open hour. Slots of the generation after the one
// that counts follow a transaction that is damaged: what they have beyond the others is
// taken as well.
func (w *writer) loadOpen(tx *bolt.Tx) (map[int]*loadedSeries, openHour) {
	series := make(map[int]*loadedSeries)
	var dec block.Decoder
	take := func(set []byte, parted, after bool) {
		err := dec.DecodeSet(set, func(num int, recs []block.Record) {
			o := series[num]
			if o == nil {
				o = &loadedSeries{}
				series[num] = o
			}
			if after {
				recs = slices.DeleteFunc(recs, func(r block.Record) bool { return slices.Contains(o.recs, r) })
			}
			if o.recs = append(o.recs, recs...); parted {
				o.parted = len(o.recs)
			}
		})
		if err != nil {
			w.damagedRecord(fmt.Errorf("batch of the open hour: %w", err))
		}
	}
	var open openHour
	for _, name := range partNames(tx) {
		open.part = binary.BigEndian.Uint64(name[1:]) + 1
		take(bucketValue(tx.Bucket(name)), true, false)
	}
	open.at, open.gen = slotsAt(tx)
	value := bucketValue(tx.Bucket([]byte(rootSlots)))
	for _, s := range readSlots(value, open.gen) {
		if s.chunk != open.last.chunk {
			w.damagedRecord(fmt.Errorf("batches of the open hour: %w: a page of them", ErrDamaged))
		}
		take(s.set, false, false)
		open.wrote(s)
		open.close()
	}
	for _, s := range readSlots(value, open.gen+1) {
		take(s.set, false, true)
	}
	return series, open
}

// dropSealed removes open records that a bundle holds already, as can be after the file
// fell back to an older root or was repaired, and reports whether there were any.
func (w *writer) dropSealed(tx *bolt.Tx, entries []entry, names map[int]sensors.ProbeID, open map[int]*loadedSeries) (dropped bool) {
	first := int64(math.MaxInt64)
	for _, o := range open {
		for i := range o.recs {
			first = min(first, o.recs[i].Mono)
		}
	}
	for _, e := range entries {
		if e.noRaw || e.key.monoMax < first {
			continue
		}
		raw := bucketValue(tx.Bucket([]byte(rootRaw)).Bucket(e.key.bytes()))
		for num, o := range open {
			// Each as it is: where a probe's time ran backwards, newer ones have earlier times.
			q, before := newQuery(w.series, names[num]), len(o.recs)
			q.readings(e.key, raw)
			sealed := make(map[block.Record]bool)
			for _, r := range q.recs {
				sealed[r] = true
			}
			o.recs = slices.DeleteFunc(o.recs, func(r block.Record) bool { return sealed[r] })
			dropped = dropped || len(o.recs) < before
			q.release()
		}
	}
	return dropped
}
