package store

import (
	"fmt"
	"math"
	"slices"

	"dewline/store/block"
)

// grace is how long an hour stays open past its end for the readings of slow
// probes; longest ends it on the running clock when the wall clock does not.
const (
	grace   = 30_000
	longest = 65 * 60_000
)

// worthSealing is how many readings a probe has to have in hours that are over, nearly an
// hour of a fast one: those of slow probes wait for the next, within their day.
const worthSealing = 300

// seal closes all hours that are over, and what there is of one that has grown too
// large: their records become bundles in memory. Only Flush calls it, so that
// records leave an openProbe in one place.
func (w *writer) seal() error {
	for {
		parts, key := w.due()
		if parts == nil {
			return nil
		}
		h := &hour{key: key}
		if err := w.encodeHour(h, parts); err != nil {
			return fmt.Errorf("seal an hour of readings: %w", err)
		}
		w.mu.Lock()
		for _, o := range parts {
			o.p.recs = dropFirst(o.p.recs, len(o.recs))
			w.mem.total -= len(o.recs)
		}
		for _, p := range w.mem.order {
			p.inFile, p.taken = inFile{}, 0
		}
		w.mem.waiting = append(w.mem.waiting, h)
		w.mu.Unlock()
	}
}

// dropFirst takes n records away. The space is used again, as every hour needs as
// much, unless a backlog had made it large. Nobody else looks at it: queries copy,
// and what a flush takes it takes after sealing.
func dropFirst(recs []block.Record, n int) []block.Record {
	const usual = 2048
	if cap(recs) > usual {
		return append([]block.Record(nil), recs[n:]...)
	}
	return append(recs[:0], recs[n:]...)
}

// ends returns the oldest and the newest open record, nil for none.
func (m *memory) ends() (first, last *block.Record) {
	for _, p := range m.order {
		n := len(p.recs)
		if n == 0 {
			continue
		}
		if first == nil || p.recs[0].Mono < first.Mono {
			first = &p.recs[0]
		}
		if last == nil || p.recs[n-1].Mono >= last.Mono {
			last = &p.recs[n-1]
		}
	}
	return first, last
}

// due returns the records of the oldest open hour when it is over, or those that
// are to be sealed early, and nil when there are none.
func (w *writer) due() (parts []takenSeries, key bundleKey) {
	w.mu.Lock()
	defer w.mu.Unlock()
	first, last := w.mem.ends()
	if first == nil {
		return nil, key
	}
	begin := floorDiv(first.Wall, hourMillis) * hourMillis
	end, before := begin+hourMillis, int64(math.MaxInt64)
	over := last.Wall >= end+grace
	if over {
		end, over = w.mem.hoursWorth(begin, last.Wall-grace)
	} else {
		over = last.Wall < begin || last.Mono-first.Mono >= longest
	}
	if !over {
		if !w.mem.large() {
			return nil, key
		}
		before = sealBefore(first.Wall, last.Wall)
	}
	key = emptyKey(w.mem.nextSeq, w.levelOf(begin, min(end, before)))
	w.mem.nextSeq++
	for _, p := range w.mem.order {
		n := 0
		for n < len(p.recs) && p.recs[n].Wall >= begin && p.recs[n].Wall < min(end, before) {
			key.cover(p.recs[n].Mono, p.recs[n].Wall)
			n++
		}
		if n > 0 {
			parts = append(parts, takenSeries{p: p, recs: p.recs[:n:n]})
			p.taken = max(p.taken, n)
		}
	}
	return parts, key
}

// hoursWorth is the end of the hours from begin on that are to be sealed together, all of
// one day and over by now; false while there may be more of them.
func (m *memory) hoursWorth(begin, now int64) (end int64, worth bool) {
	midnight := (floorDiv(begin, dayMillis) + 1) * dayMillis
	for end = begin + hourMillis; end <= now; end += hourMillis {
		if end == midnight || slices.ContainsFunc(m.order, func(p *openProbe) bool { return wallIndex(p.recs, end) >= worthSealing }) {
			return end, true
		}
	}
	return end - hourMillis, false
}

// levelOf is the level of what is sealed up to end: where that is all of a day, nothing will
// be joined with it to make one.
func (w *writer) levelOf(begin, end int64) uint8 {
	day, last := floorDiv(begin, dayMillis)*dayMillis, int64(math.MinInt64)
	if all := w.lastIndex(); len(all) > 0 {
		last = all[len(all)-1].key.wallMax
	}
	if n := len(w.mem.waiting); n > 0 {
		last = w.mem.waiting[n-1].key.wallMax
	}
	if end == day+dayMillis && last < day {
		return levelDay
	}
	return levelHour
}

// sealBefore is the wall time that an early seal cuts at: no slow probe has a
// reading of before still to come, so that bundles follow one another, and no
// rollup of ten minutes is cut where one has passed.
func sealBefore(first, newest int64) int64 {
	at := newest - grace
	if whole := floorDiv(at, spanMillis[0]) * spanMillis[0]; whole > first {
		return whole
	}
	if at > first {
		return at
	}
	return math.MaxInt64 // all that there is, however fast it came
}

// encodeHour fills h with the bundles of readings and rollups.
func (w *writer) encodeHour(h *hour, series []takenSeries) error {
	raw, table := make([]bundlePart, len(series)), make([]bundlePart, len(series))
	limits := *w.limits.Load()
	w.enc.Quick = h.key.level == levelHour // the day packs them again
	for i, o := range series {
		b, err := w.enc.Append(nil, o.recs)
		if err != nil {
			return fmt.Errorf("probe %s: %w", o.p.id, err)
		}
		raw[i] = bundlePart{string(o.p.id), [][]byte{b}}
		spans := sumLevels(o.p.id, o.recs, limits)
		blocks, err := tableBlocks(&w.enc, spans, spans)
		if err != nil {
			return fmt.Errorf("probe %s: %w", o.p.id, err)
		}
		table[i] = bundlePart{string(o.p.id), blocks}
		h.readings += len(o.recs)
	}
	h.raw = newBundle(rootRaw, h.key.bytes(), raw)
	h.table = tableBundle(h.key.bytes(), table)
	return nil
}
