package store

import (
	"math"

	bolt "go.etcd.io/bbolt"

	"dewline/store/block"
)

// A dayPlan replaces the hours of one day, or a few days of slow probes, by one bundle:
// longer blocks pack better, and a year is then 365 bundles to look through.
type dayPlan struct {
	hours []entry
	hour  // what they become
}

// maxHours ends a day that the wall clock does not end, and one of hours that ended early,
// each of which is as large in memory as a whole one.
const maxHours = 30

// Days are joined, and then some of these again, where what a probe has in one takes fewer
// bytes than smallPart, on average, and all of them fewer than maxJoined.
const (
	smallPart = 2 << 10
	maxJoined = 512 << 10
)

// joinWidth is the span of time that bundles of a level are joined to: a day, 4 days and 16.
func joinWidth(level uint8) int64 { return dayMillis << (2 * (level - levelHour)) }

// planDay finds hours of a day that is over, or days to be joined, and packs them. It
// returns nil when there are none.
func (w *writer) planDay() (*dayPlan, error) {
	hours := w.dueHours()
	if hours == nil {
		return nil, nil
	}
	d := &dayPlan{hours: hours, hour: hour{key: emptyKey(hours[len(hours)-1].key.seq, hours[0].key.level+1)}}
	for _, h := range hours {
		d.key.cover(h.key.monoMin, h.key.wallMin)
		d.key.cover(h.key.monoMax, h.key.wallMax)
	}
	small := true
	err := w.view(func(tx *bolt.Tx) error {
		defer w.touched(tx, len(hours))
		if small = d.key.level == levelDay || areSmall(tx, hours); small {
			return w.join(tx, d)
		}
		return nil
	})
	if err != nil || !small {
		if !small { // or they would be looked at in each flush
			w.settled = d.key.seq
		}
		return nil, err
	}
	return d, nil
}

// areSmall reports whether days are worth joining.
func areSmall(tx *bolt.Tx, days []entry) bool {
	size, probes := 0, 0
	for _, e := range days {
		b := bucketValue(tx.Bucket([]byte(rootRaw)).Bucket(e.key.bytes()))
		d, err := readDirectory(b)
		if err != nil {
			return false
		}
		size, probes = size+d.used, probes+len(d.parts)
	}
	return size <= maxJoined && size <= smallPart*probes
}

// dueHours returns the oldest run of hours on disk that share a day, or of days that share
// what they are joined to, once a later bundle shows that this is over.
func (w *writer) dueHours() []entry {
	var run []entry
	for _, e := range w.lastIndex() {
		if len(run) > 0 {
			level := run[0].key.level
			width := joinWidth(level)
			over := floorDiv(e.key.wallMin, width) != floorDiv(run[0].key.wallMin, width) || len(run) == maxHours
			if over && (level == levelHour || len(run) > 1) {
				return run
			}
			if over || e.key.level != level {
				run = nil
			}
		}
		if e.noRaw || e.key.level > levelHour && e.key.seq <= w.settled || e.key.level >= levelMost {
			run = nil
			continue
		}
		run = append(run, e)
	}
	return nil
}

func (w *writer) join(tx *bolt.Tx, d *dayPlan) error {
	keys := make([]bundleKey, len(d.hours))
	for i, h := range d.hours {
		keys[i] = h.key
	}
	var raws, tables []bundlePart
	err := w.eachProbe(tx, func(q *query, spans *[levels][]block.Span, _ [levels][]byte) error {
		raw, table, err := w.joinProbe(q, spans)
		if tables = append(tables, bundlePart{string(q.probe), table}); len(raw) > 0 {
			raws = append(raws, bundlePart{string(q.probe), raw})
		}
		return err
	}, keys...)
	d.raw, d.table = newBundle(rootRaw, d.key.bytes(), raws), tableBundle(d.key.bytes(), tables)
	return err
}

// joinProbe packs the readings of one probe's hours together, and its rollups, which
// are joined as they are: a correction may have changed them since. A block that is
// damaged is left out and counted.
func (w *writer) joinProbe(q *query, spans *[levels][]block.Span) (raw, table [][]byte, err error) {
	for l := range spans { // an hour that ended early has several bundles
		spans[l] = ordered(spans[l], math.MinInt64, math.MaxInt64)
	}
	for rest := q.recs; len(rest) > 0; {
		n := min(len(rest), block.MaxRecords)
		b, err := w.enc.Append(nil, rest[:n])
		if err != nil {
			return nil, nil, err
		}
		raw, rest = append(raw, b), rest[n:]
	}
	table, err = tableBlocks(&w.enc, *spans, sumLevels(q.probe, q.recs, nil))
	return raw, table, err
}

// put writes the day and takes out its hours.
func (d *dayPlan) put(tx *bolt.Tx) error {
	for _, h := range d.hours {
		if err := dropBundles(tx, h.key.bytes()); err != nil {
			return err
		}
	}
	return d.hour.put(tx)
}
