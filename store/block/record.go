package block

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
)

// Bits of Record.Has and Record.RawHas.
const (
	Temperature = 1 << iota
	Humidity
	Light
)

// Values are those of the three quantities, in the order of their bits: hundredths of °C
// and of %RH, and lux, which is an unsigned number.
type Values [3]int32

// lux is the place of light.
const lux = 2

// get and set are for whole numbers; set reports whether v fits, as damage can make it not.
func (x *Values) get(q int) int64 {
	if q == lux {
		return int64(uint32(x[q]))
	}
	return int64(x[q])
}

func (x *Values) set(q int, v int64) bool {
	x[q] = int32(v)
	return x.get(q) == v
}

// A Record is one reading in the units of the record. Values that Has or RawHas
// do not name must be zero: they are not stored.
type Record struct {
	Mono, Wall                   int64 // milliseconds: running time; since 1970 UTC
	Value, Raw                   Values
	Has, RawHas, Quality, Reason uint8
	Synced                       bool
}

// Limits on what a block may claim, so that a few bytes cannot ask for all the
// memory there is.
const (
	MaxRecords = 1 << 18 // records in one block
	MaxSeries  = 1 << 16 // series in one block
)

// The first byte of a sealed block names its format. Formats 4 to 6 were the same
// without divisors in their columns, 1 to 3 without levels too, and are still read.
const (
	formatSeries = 7  // one or more series
	formatSet    = 8  // the same, with a number for each series
	formatSpans  = 9  // rollups of one series
	formatBands  = 10 // what readings do not tell again of rollups; it has no older form
	formatBefore = 3  // what the older form of each is less
)

// castagnoli is the polynomial of CRC-32C (RFC 3720, appendix B.4).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Checksum is the CRC-32C of b.
func Checksum(b []byte) uint32 { return crc32.Checksum(b, castagnoli) }

// seal puts the checksum behind what was appended to dst since from.
func seal(dst []byte, from int) []byte {
	return binary.LittleEndian.AppendUint32(dst, Checksum(dst[from:]))
}

// Sound reports whether the checksum of a sealed block is right.
func Sound(b []byte) bool {
	end := len(b) - 4
	return end >= 0 && Checksum(b[:end]) == binary.LittleEndian.Uint32(b[end:])
}

// unseal checks a sealed block and returns its body.
func unseal(b []byte, want byte) (body []byte, err error) {
	if len(b) < 5 {
		return nil, fmt.Errorf("%w: %d bytes are too few", ErrCorrupt, len(b))
	}
	if !Sound(b) {
		return nil, fmt.Errorf("%w: checksum is wrong", ErrCorrupt)
	}
	body = b[:len(b)-4]
	if f := body[0]; f != want && (want == formatBands || f == 0 || f > want || (want-f)%formatBefore != 0) {
		return nil, fmt.Errorf("%w: format %d where %d belongs", ErrCorrupt, body[0], want)
	}
	return body[1:], nil
}

// An Encoder packs records; it keeps scratch space between calls. The zero
// value is ready. Not for concurrent use.
type Encoder struct {
	// Quick tries fewer predictors and makes no tables for the range coder, which
	// take longer to set up than a short block takes to read: for blocks that are
	// soon packed again.
	Quick bool

	col  columnWriter
	vals []int64
	with []int64  // raw values that have a calibrated one
	cals []int64  // calibrated values, and then how far they are off their line
	only []int64  // calibrated values without a raw one
	flat []Record // all records of the block, one after another
}

// Append adds one sealed block with one series to dst. Records keep their order.
func (e *Encoder) Append(dst []byte, recs []Record) ([]byte, error) {
	return e.append(dst, nil, [][]Record{recs})
}

// AppendSet adds one sealed block with several series, each under its number,
// to dst. Few records of many probes share their columns that way.
func (e *Encoder) AppendSet(dst []byte, ids []int, series [][]Record) ([]byte, error) {
	if len(ids) != len(series) {
		return dst, fmt.Errorf("a set needs one number for each series, not %d for %d", len(ids), len(series))
	}
	return e.append(dst, ids, series)
}

func (e *Encoder) append(dst []byte, ids []int, series [][]Record) ([]byte, error) {
	e.col.quick = e.Quick || ids != nil
	if len(series) == 1 {
		e.flat = series[0]
	} else {
		e.flat = slices.Concat(series...)
	}
	defer func() { e.flat = nil }()
	if len(e.flat) > MaxRecords || len(series) > MaxSeries {
		return dst, fmt.Errorf("a block takes %d records in %d series, not %d in %d",
			MaxRecords, MaxSeries, len(e.flat), len(series))
	}
	from := len(dst)
	if ids == nil {
		dst = append(dst, formatSeries)
	} else {
		dst = append(dst, formatSet)
	}
	dst = binary.AppendUvarint(dst, uint64(len(series)))
	if ids != nil { // a run of numbers is one constant
		v := make([]int64, len(ids))
		for i, id := range ids {
			v[i] = int64(id - i)
		}
		dst = e.col.append(dst, v)
	}
	dst = e.times(dst, series)
	e.vals = grow(e.vals, len(e.flat))
	for i := range e.flat {
		e.vals[i] = e.flat[i].status()
	}
	dst = e.col.append(dst, e.vals)
	for q := range len(Values{}) {
		dst = e.quantity(dst, q)
	}
	return seal(dst, from), nil
}

// times writes the lengths and starts of the series, the common step, how far
// each record is off its series' grid, and wall minus running time.
func (e *Encoder) times(dst []byte, series [][]Record) []byte {
	lengths := make([]int64, len(series))
	starts := make([]int64, 0, len(series))
	for i, s := range series {
		lengths[i] = int64(len(s))
		if len(s) > 0 {
			starts = append(starts, s[0].Mono)
		}
	}
	step := commonStep(series)
	dst = e.col.append(dst, lengths)
	dst = e.col.append(dst, starts)
	dst = binary.AppendVarint(dst, step)
	e.vals = e.vals[:0]
	for _, s := range series {
		for i := range s {
			e.vals = append(e.vals, s[i].Mono-s[0].Mono-int64(i)*step)
		}
	}
	dst = e.col.append(dst, e.vals)
	for i := range e.flat {
		e.vals[i] = e.flat[i].Wall - e.flat[i].Mono
	}
	return e.col.append(dst, e.vals)
}

// commonStep is the median distance between records in the first few hundred: nearly always
// that of all, 0 where there is none.
func commonStep(series [][]Record) int64 {
	var steps []int64
	for _, s := range series {
		for i := 1; i < len(s) && len(steps) < 512; i++ {
			steps = append(steps, s[i].Mono-s[i-1].Mono)
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[(len(steps)-1)/2]
}

// quantity writes the raw values, how the calibrated ones follow from them,
// and the calibrated values that have no raw one.
func (e *Encoder) quantity(dst []byte, q int) []byte {
	bit := uint8(1) << q
	raw, with, cal, only := e.vals[:0], e.with[:0], e.cals[:0], e.only[:0]
	for i := range e.flat {
		r := &e.flat[i]
		if r.RawHas&bit != 0 {
			raw = append(raw, r.Raw.get(q))
		}
		switch v := r.Value.get(q); {
		case r.Has&r.RawHas&bit != 0:
			with, cal = append(with, r.Raw.get(q)), append(cal, v)
		case r.Has&bit != 0:
			only = append(only, v)
		}
	}
	e.vals, e.with, e.cals, e.only = raw, with, cal, only
	dst = e.col.append(dst, raw)
	if len(cal) > 0 {
		line := fitLine(with, cal, bit == Humidity)
		dst = binary.AppendVarint(binary.AppendVarint(dst, line.gain-lineOne), line.offset)
		for i, x := range with {
			cal[i] -= line.at(x)
		}
		dst = e.col.append(dst, cal)
	}
	return e.col.append(dst, only)
}

// status packs what is hardly ever different from one record to the next: Has in bits
// 0–2, RawHas in 3–5, Synced in 6, Quality in 7–14 and Reason in 15–22.
func (r *Record) status() int64 {
	s := int64(r.Has&7) | int64(r.RawHas&7)<<3 | int64(r.Quality)<<7 | int64(r.Reason)<<15
	if r.Synced {
		s |= 1 << 6
	}
	return s
}

// setStatus is the reverse; false when higher bits are set.
func (r *Record) setStatus(s int64) bool {
	r.Has, r.RawHas, r.Synced = uint8(s&7), uint8(s>>3&7), s>>6&1 != 0
	r.Quality, r.Reason = uint8(s>>7), uint8(s>>15)
	return s>>23 == 0
}
