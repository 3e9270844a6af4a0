package store

import (
	"fmt"
	"slices"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

const dayMillis = 24 * hourMillis

// A dayPlan replaces the hours of one day by one bundle: longer blocks pack
// better, and a year is then 365 bundles to look through.
type dayPlan struct {
	hours []*entry
	entry *entry
	raw   []byte
	table []byte
}

// maxHours ends a day that the wall clock does not end.
const maxHours = 30

// planDay finds hours of a day that is over and packs them. It returns nil when
// there are none.
func (s *Store) planDay() (*dayPlan, error) {
	hours := s.dueHours()
	if hours == nil {
		return nil, nil
	}
	d := &dayPlan{hours: hours, entry: &entry{}}
	key := emptyKey(hours[len(hours)-1].key.seq, levelDay)
	for _, h := range hours {
		key.wallMin, key.wallMax = min(key.wallMin, h.key.wallMin), max(key.wallMax, h.key.wallMax)
		key.monoMin, key.monoMax = min(key.monoMin, h.key.monoMin), max(key.monoMax, h.key.monoMax)
		d.entry.readings += h.readings
	}
	d.entry.key, d.entry.name = key, key.bytes()
	err := s.view(func(tx *bolt.Tx) error {
		var err error
		if d.raw, err = s.gatherRaw(tx, d); err != nil {
			return err
		}
		d.table, err = s.gatherTables(tx, d)
		return err
	})
	if err != nil {
		return nil, err
	}
	return d, nil
}

// behind reports whether hours pile up, as they do when each flush seals one: an
// import or a replay that flushes once an hour.
func (s *Store) behind() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	hours := 0
	for _, e := range slices.Backward(s.mem.entries) {
		if e.key.level == levelDay || hours > maxHours {
			break
		}
		hours++
	}
	return hours > maxHours
}

// dueHours returns the oldest run of hours on disk that share a day, once a
// later hour shows that the day is over.
func (s *Store) dueHours() []*entry {
	s.mu.Lock()
	defer s.mu.Unlock()
	var hours []*entry
	for _, e := range s.mem.entries {
		if e.key.level != levelHour {
			hours = nil
			continue
		}
		if e.raw != nil || e.noRaw {
			return nil
		}
		if len(hours) > 0 && floorDiv(e.key.wallMin, dayMillis) != floorDiv(hours[0].key.wallMin, dayMillis) ||
			len(hours) == maxHours {
			return hours
		}
		hours = append(hours, e)
	}
	return nil
}

// gathered is what one probe has in the hours of a day.
type gathered struct {
	probe  string
	blocks [][][]byte // by hour: its blocks
}

// gather sorts the blocks of the hours by probe. They alias the file.
func (s *Store) gather(tx *bolt.Tx, root string, kind byte, hours []*entry) ([]*gathered, error) {
	b := tx.Bucket([]byte(root))
	if b == nil {
		return nil, badf("bucket %s is missing", root)
	}
	var order []*gathered
	byProbe := make(map[string]*gathered)
	for _, h := range hours {
		err := walkBundle(bucketValue(b.Bucket(h.name)), kind, func(probe []byte, blocks [][]byte) bool {
			g := byProbe[string(probe)]
			if g == nil {
				g = &gathered{probe: string(probe)}
				byProbe[g.probe] = g
				order = append(order, g)
			}
			g.blocks = append(g.blocks, append([][]byte(nil), blocks...))
			return true
		})
		if err != nil {
			s.damagedRecord(fmt.Errorf("an hour from %d: %w", h.key.wallMin, err))
		}
	}
	return order, nil
}

// gatherRaw makes the day's bundle of readings. Decoding hours and packing them anew is
// most of the work of a day, so the probes are shared out to the cores.
func (s *Store) gatherRaw(tx *bolt.Tx, d *dayPlan) ([]byte, error) {
	probes, err := s.gather(tx, rootRaw, kindRaw, d.hours)
	if err != nil {
		return nil, err
	}
	parts := make([]bundlePart, len(probes))
	err = s.share(len(probes), func(enc *block.Encoder, i int) (err error) {
		parts[i], err = s.joinRaw(enc, probes[i])
		return err
	})
	if err != nil {
		return nil, err
	}
	return appendBundle(nil, kindRaw, d.entry.name, parts), nil
}

// joinRaw packs the readings of one probe's hours together. A block that is
// damaged is left out and counted.
func (s *Store) joinRaw(enc *block.Encoder, g *gathered) (bundlePart, error) {
	part := bundlePart{probe: g.probe}
	q := newQuery(s, "")
	defer q.release()
	recs := q.recs[:0]
	for _, blocks := range g.blocks {
		for _, b := range blocks {
			var err error
			if recs, err = q.dec.Decode(recs, b); err != nil {
				s.damagedRecord(fmt.Errorf("probe %s: %w", g.probe, err))
			}
		}
	}
	q.recs = recs
	for rest := recs; len(rest) > 0; {
		n := min(len(rest), block.MaxRecords)
		b, err := enc.Append(nil, rest[:n])
		if err != nil {
			return part, err
		}
		part.blocks, rest = append(part.blocks, b), rest[n:]
	}
	return part, nil
}

// gatherTables makes the day's bundle of rollups. They are joined as they are, not
// summed up again: a correction may have changed them since.
func (s *Store) gatherTables(tx *bolt.Tx, d *dayPlan) ([]byte, error) {
	probes, err := s.gather(tx, rootTable, kindTable, d.hours)
	if err != nil {
		return nil, err
	}
	var dec block.Decoder
	parts := make([]bundlePart, 0, len(probes))
	for _, g := range probes {
		var spans [levels][]block.Span
		for _, blocks := range g.blocks {
			for l := range min(levels, len(blocks)) {
				if spans[l], err = dec.DecodeSpans(spans[l], blocks[l]); err != nil {
					s.damagedRecord(fmt.Errorf("probe %s: %w", g.probe, err))
				}
			}
		}
		blocks, err := tableBlocks(&s.enc, spans)
		if err != nil {
			return nil, err
		}
		parts = append(parts, bundlePart{g.probe, blocks})
	}
	return appendBundle(nil, kindTable, d.entry.name, parts), nil
}

// put writes the day and takes out its hours.
func (d *dayPlan) put(tx *bolt.Tx) error {
	for _, h := range d.hours {
		if err := dropBundle(tx, rootRaw, h.name); err != nil {
			return err
		}
		if err := dropBundle(tx, rootTable, h.name); err != nil {
			return err
		}
	}
	if err := putBundle(tx, rootRaw, d.entry.name, d.raw); err != nil {
		return err
	}
	return putBundle(tx, rootTable, d.entry.name, d.table)
}
