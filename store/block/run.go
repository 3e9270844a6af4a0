package block

import (
	"math"
	"slices"
)

// A run is the contents of a block as nearly every one of a probe is: readings at one
// pace, by one clock, with one status, of temperature and humidity, raw and
// calibrated by one line each. Its records are made in one loop.
type run struct {
	step              int64  // milliseconds between readings, above zero
	first             Record // its time and status
	temp, hum         line
	rawTemps, rawHums []int64
}

// read fills r from a block's body; false where that is no run, or more than one.
func (r *run) read(src []byte, col *columnReader) bool {
	series, src, err := readUvarint(src)
	if err != nil || series != 1 {
		return false
	}
	n, src, ok := col.constant(src)
	if !ok || n <= 0 || n > MaxRecords {
		return false
	}
	if src, ok = r.course(src, col); !ok {
		return false
	}
	r.rawTemps, r.rawHums = grow(r.rawTemps, int(n)), grow(r.rawHums, int(n))
	if r.temp, src, ok = calibrated(src, col, r.rawTemps, false); !ok {
		return false
	}
	r.hum, src, ok = calibrated(src, col, r.rawHums, true)
	return ok && len(src) == 0
}

// course reads what comes before the quantities: the times and the status.
func (r *run) course(src []byte, col *columnReader) (rest []byte, ok bool) {
	begin, src, ok := col.constant(src)
	if !ok {
		return nil, false
	}
	step, src, err := readVarint(src)
	if err != nil {
		return nil, false
	}
	var same [3]int64 // distance from the grid, wall less running time, status
	for i := range same {
		if same[i], src, ok = col.constant(src); !ok {
			return nil, false
		}
	}
	const both = Temperature | Humidity
	r.step, r.first = step, Record{Mono: begin + same[0], Wall: begin + same[0] + same[1]}
	fits := r.first.setStatus(same[2]) && r.first.Has == both && r.first.RawHas == both
	return src, fits && step > 0 && step < math.MaxInt64/MaxRecords
}

// calibrated reads a column of raw values, and the line that the calibrated ones
// are on, all of which must fit a record.
func calibrated(src []byte, col *columnReader, raw []int64, clip bool) (l line, rest []byte, ok bool) {
	src, err := col.read(src, raw)
	if err != nil {
		return l, nil, false
	}
	gain, src, err := readVarint(src)
	if err != nil {
		return l, nil, false
	}
	offset, src, err := readVarint(src)
	if err != nil {
		return l, nil, false
	}
	off, src, ok := col.constant(src)
	l = line{gain: gain + lineOne, offset: offset, clip: clip}
	return l, src, ok && off == 0 && within(raw, 1<<runBits) && l.fits(1<<runBits)
}

// runBits is the size of the raw values of a run: 24 bits of hundredths are more than
// any sensor has.
const runBits = 24

// within reports whether all of v are from -size to size-1, a power of two.
func within(v []int64, size int64) bool {
	bits := int64(0)
	for _, x := range v {
		bits |= x ^ x>>63
	}
	return bits < size
}

// fits reports whether what the line makes of raw values from -size to size is within
// the bounds of a record.
func (l line) fits(size int64) bool {
	const most = math.MaxInt64 >> (runBits + 2) // of a gain, so that nothing overflows
	if l.gain < -most || l.gain > most || l.offset < -most<<runBits || l.offset > most<<runBits {
		return false
	}
	a, b := l.at(-size), l.at(size) // the line has no bends, so all else is in between
	return min(a, b) >= math.MinInt32 && max(a, b) <= math.MaxInt32
}

// appendTo adds all readings to dst. This is what most of the reading of a record
// consists of.
func (r *run) appendTo(dst []Record) []Record {
	from, n := len(dst), len(r.rawTemps)
	dst = slices.Grow(dst, n)[:from+n]
	recs, temps, hums := dst[from:], r.rawTemps, r.rawHums[:n]
	temp, hum, all, step := r.temp, r.hum, r.first, r.step
	for i, t := range temps {
		x, h := &recs[i], hums[i]
		x.Mono, x.Wall = all.Mono, all.Wall
		x.Temperature, x.RawTemperature = int32(temp.at(t)), int32(t)
		x.Humidity, x.RawHumidity = int32(hum.at(h)), int32(h)
		x.Light, x.RawLight = 0, 0
		x.Has, x.RawHas, x.Quality, x.Reason, x.Synced = all.Has, all.RawHas, all.Quality, all.Reason, all.Synced
		all.Mono += step
		all.Wall += step
	}
	return dst
}
