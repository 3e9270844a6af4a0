package store

import (
	"slices"
	"time"

	"dewline/sensors"
	"dewline/store/block"
)

// memory is what is not in a bundle on disk yet: the records of the open hour,
// and hours sealed while the disk would not take them.
type memory struct {
	probes  map[sensors.ProbeID]*openProbe
	order   []*openProbe // as first seen
	total   int          // records in all probes
	waiting []*hour      // sealed, and not on the disk yet, by seq
	nextSeq uint64
	lost    uint64
	oneOf   int // of so many readings of a probe one is kept; 0 for all
}

// An openProbe holds one probe's records since the last sealed hour. The first
// parted are in parts on disk, those up to closed in slots that are full, those up to
// written in the one after them; the rest is unwritten.
type openProbe struct {
	id    sensors.ProbeID
	place int // in memory's order
	num   int // in the file's list of probes; -1 before it has one
	recs  []block.Record
	inFile
	taken  int // the first of recs that a write may be at work on
	passed int // readings since the last one kept
	grid   grid
}

// next makes room for one more record. What an hour needs is kept for the hours to come,
// so it grows by little: to double it would leave most of it empty.
func (p *openProbe) next() *block.Record {
	n := len(p.recs)
	if n == cap(p.recs) {
		p.recs = append(make([]block.Record, 0, n+n/8+16), p.recs...)
	}
	p.recs = p.recs[:n+1]
	p.recs[n] = block.Record{}
	return &p.recs[n]
}

// inFile tells how many of a probe's open records are in the file, and where: see openProbe.
type inFile struct{ parted, closed, written int }

// thin lets go of every second record that no write has taken, and of as many of those
// to come.
func (m *memory) thin() {
	m.oneOf = 2 * max(m.oneOf, 1)
	for _, p := range m.order {
		kept := max(p.written, p.taken)
		for i := kept + 1; i < len(p.recs); i += 2 {
			p.recs[kept] = p.recs[i]
			kept++
		}
		gone := len(p.recs) - kept
		p.recs = p.recs[:kept]
		m.total, m.lost = m.total-gone, m.lost+uint64(gone)
	}
}

// An hour is what one seal made of the open records, or what hours were joined to.
type hour struct {
	key        bundleKey
	raw, table []byte // bundles
	readings   int
}

const (
	// sealAt ends an hour early: an hour of 54 readings a second is still sealed
	// whole. One block takes so many and what a minute adds.
	sealAt = block.MaxRecords * 3 / 4
	// fullEach is after how many more open records Options.Full is called, and ends an hour
	// early where a probe has worthEarly of them: more than 180 probes need not hold it whole.
	fullEach   = sealAt / 3
	worthEarly = 120
	// maxOpen bounds the records held unsealed, about 25 MB, while a write hangs:
	// 10 minutes of the busiest room, more than a day of 48 probes.
	maxOpen = 2 * block.MaxRecords
	// maxSealed bounds the bytes of sealed hours that the disk refuses: about
	// a week of 48 probes.
	maxSealed = 4 << 20
	// maxProbes is how many probes a record may ever know: they have numbers of
	// two bytes.
	maxProbes = block.MaxSeries
)

// large reports whether the open hour is to end early.
func (m *memory) large() bool {
	return m.total >= min(sealAt, max(fullEach, worthEarly*len(m.order)))
}

// probe returns the probe's open records, beginning them if need be.
func (m *memory) probe(id sensors.ProbeID) *openProbe {
	p := m.probes[id]
	if p == nil {
		p = &openProbe{id: id, place: len(m.order), num: -1}
		m.probes[id] = p
		m.order = append(m.order, p)
	}
	return p
}

// pack makes rec what is kept of a reading, in place as unpack does. Values that Has does
// not name are dropped.
func pack(rec *block.Record, r *sensors.Reading) {
	rec.Mono, rec.Wall, rec.Synced = r.At.Mono.Milliseconds(), r.At.Wall.UnixMilli(), r.At.Synced
	rec.Quality, rec.Reason = uint8(r.Quality), uint8(r.Reason)
	rec.Has, rec.RawHas = uint8(r.Has)&7, uint8(r.Raw.Has)&7
	rec.Value = block.Values{int32(r.Temperature), int32(r.Humidity), int32(r.LightLux)}
	rec.Raw = block.Values{int32(r.Raw.Temperature), int32(r.Raw.Humidity), int32(r.Raw.LightLux)}
	for q := range rec.Value {
		if rec.Has>>q&1 == 0 {
			rec.Value[q] = 0
		}
		if rec.RawHas>>q&1 == 0 {
			rec.Raw[q] = 0
		}
	}
}

// unpack makes r the reading that a record holds, all but its probe. It writes in
// place, as making a new one each time would be half the work of a day's query.
func unpack(r *sensors.Reading, rec *block.Record) {
	r.At.Mono = time.Duration(rec.Mono) * time.Millisecond
	r.At.Wall = time.UnixMilli(rec.Wall).UTC()
	r.At.Synced = rec.Synced
	r.Has, r.Quality, r.Reason = sensors.Quantities(rec.Has), sensors.Quality(rec.Quality), sensors.Reason(rec.Reason)
	v, raw := &rec.Value, &rec.Raw
	r.Temperature, r.Humidity, r.LightLux = sensors.CentiCelsius(v[0]), sensors.CentiPercent(v[1]), uint32(v[2])
	r.Raw.Has = sensors.Quantities(rec.RawHas)
	r.Raw.Temperature, r.Raw.Humidity, r.Raw.LightLux = sensors.CentiCelsius(raw[0]), sensors.CentiPercent(raw[1]), uint32(raw[2])
}

// A grid remembers where a probe's next stamp is due.
type grid struct {
	begun        bool
	last, offset int64 // milliseconds: last stamp; wall minus running time
	step         int64
}

// jitter is how far off its grid a stamp may be and still count as on it: a
// stamp to the millisecond would cost as much as the reading itself, and says
// only how long the bus took.
const jitter = 250

// snap moves a record onto the grid where it is near enough. Errors do not add
// up: a stamp that leaves the grid is kept as it is, and begins a new one.
func (g *grid) snap(r *block.Record) {
	offset := r.Wall - r.Mono
	if g.begun {
		if near(r.Mono, g.last+g.step, g.step) {
			r.Mono = g.last + g.step
		} else if whole := (r.Mono - g.last + 500) / 1000 * 1000; near(r.Mono, g.last+whole, whole) {
			r.Mono = g.last + whole
		}
		if near(offset, g.offset, 4*jitter) {
			offset = g.offset
		}
		g.step = r.Mono - g.last
	}
	g.begun, g.last, g.offset = true, r.Mono, offset
	r.Wall = r.Mono + offset
}

// near reports whether a is within jitter of b, and within a quarter of step.
func near(a, b, step int64) bool {
	d := a - b
	return step > 0 && max(d, -d) <= min(jitter, step/4)
}

// trimSealed drops the oldest hours that the disk would not take, once they fill
// their share of memory, and returns how many readings those had.
func (m *memory) trimSealed() (lost uint64) {
	size := 0
	for _, h := range m.waiting {
		size += len(h.raw) + len(h.table)
	}
	m.forget(func(h *hour) bool {
		if size <= maxSealed {
			return false
		}
		size -= len(h.raw) + len(h.table)
		lost += uint64(h.readings)
		return true
	})
	m.lost += lost
	return lost
}

// forget takes hours that are in the file out of those that wait for that.
func (m *memory) forget(gone func(h *hour) bool) {
	m.waiting = slices.DeleteFunc(slices.Clone(m.waiting), gone) // a query may look at the others
}
