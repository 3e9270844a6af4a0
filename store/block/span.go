package block

import (
	"encoding/binary"
	"fmt"
)

// A Span is one rollup in the units of the record.
type Span struct {
	Start                int64 // milliseconds since 1970 UTC
	Count                int32 // readings summed up
	Has                  uint8 // which quantities
	Temp, Hum, VPD       Three // hundredths of °C and %, whole pascals
	InBand, Below, Above int64 // milliseconds
	Covered              int64 // milliseconds that readings stand for
}

// Three is the least, the mean and the greatest of one quantity.
type Three struct{ Min, Mean, Max int32 }

// spanColumns is the number of columns of a block of spans, those from bandColumns on
// hang on limits.
const (
	spanColumns = 16
	bandColumns = 13
)

// AppendSpans adds one sealed block of spans, width milliseconds apart, to dst.
func (e *Encoder) AppendSpans(dst []byte, width int64, spans []Span) ([]byte, error) {
	return e.appendSpans(dst, formatSpans, width, spans)
}

// AppendBands adds one sealed block that keeps, of each span, only how much of what is
// covered was out of the band, below and above.
func (e *Encoder) AppendBands(dst []byte, spans []Span) ([]byte, error) {
	return e.appendSpans(dst, formatBands, 0, spans)
}

// HasBands reports whether b is a block made by AppendBands.
func HasBands(b []byte) bool { return len(b) > 0 && b[0] == formatBands }

func (e *Encoder) appendSpans(dst []byte, format byte, width int64, spans []Span) ([]byte, error) {
	if len(spans) > MaxRecords {
		return dst, fmt.Errorf("a block takes %d rollups, not %d", MaxRecords, len(spans))
	}
	from, first := len(dst), 0
	if format == formatBands {
		first = bandColumns
	}
	dst = append(dst, format)
	dst = binary.AppendUvarint(dst, uint64(len(spans)))
	dst = binary.AppendUvarint(dst, uint64(width))
	n := len(spans)
	e.vals = grow(e.vals, n*spanColumns)
	for i := range spans {
		for c, v := range spans[i].columns(int64(i) * width) {
			e.vals[c*n+i] = v
		}
	}
	for c := first; c < spanColumns; c++ {
		dst = e.col.append(dst, e.vals[c*n:(c+1)*n])
	}
	return seal(dst, from), nil
}

// DecodeSpans appends the spans of b to dst. Of those with bands alone, InBand is less
// by what they cover, and the rest is zero.
func (d *Decoder) DecodeSpans(dst []Span, b []byte) ([]Span, error) {
	format, first := byte(formatSpans), 0
	if HasBands(b) {
		format, first = formatBands, bandColumns
	}
	src, err := unseal(b, format)
	if err != nil {
		return dst, err
	}
	count, src, err := readUvarint(src)
	if err != nil || count > MaxRecords {
		return dst, ErrCorrupt
	}
	width, src, err := readUvarint(src)
	if err != nil || width > 1<<40 {
		return dst, ErrCorrupt
	}
	from, n := len(dst), int(count)
	d.vals = grow(d.vals, n*spanColumns)
	clear(d.vals[:first*n])
	for c := first; c < spanColumns; c++ {
		if src, err = d.col.read(src, d.vals[c*n:(c+1)*n]); err != nil {
			return dst, err
		}
	}
	if len(src) != 0 {
		return dst, fmt.Errorf("%w: %d bytes left over", ErrCorrupt, len(src))
	}
	dst = append(dst, make([]Span, n)...)
	var v [spanColumns]int64
	for i := range n {
		for c := range v {
			v[c] = d.vals[c*n+i]
		}
		if !dst[from+i].setColumns(int64(i)*int64(width), &v) {
			return dst[:from], ErrCorrupt
		}
	}
	return dst, nil
}

// columns are what is stored of s; at is how far a gapless series would have come.
// Columns later in the order are told from earlier ones.
func (s *Span) columns(at int64) [spanColumns]int64 {
	t, h, p := &s.Temp, &s.Hum, &s.VPD
	below := func(x *Three) int64 { return int64(x.Mean) - int64(x.Min) }
	above := func(x *Three) int64 { return int64(x.Max) - int64(x.Mean) }
	return [...]int64{
		s.Start - at, int64(s.Has), int64(s.Count),
		int64(t.Mean), below(t), above(t),
		int64(h.Mean), below(h), above(h),
		int64(p.Mean) - s.guessVPD(), below(p), above(p),
		s.Covered, s.Covered - s.InBand, s.Below, s.Above,
	}
}

// setColumns is the reverse; false when a value does not fit.
func (s *Span) setColumns(at int64, v *[spanColumns]int64) bool {
	three := func(mean, below, above int64) Three {
		return Three{int32(mean - below), int32(mean), int32(mean + above)}
	}
	*s = Span{
		Start: v[0] + at, Has: uint8(v[1]), Count: int32(v[2]),
		Temp: three(v[3], v[4], v[5]), Hum: three(v[6], v[7], v[8]),
		Covered: v[12], InBand: v[12] - v[13], Below: v[14], Above: v[15],
	}
	s.VPD = three(v[9]+s.guessVPD(), v[10], v[11])
	return s.columns(at) == *v
}

// guessVPD predicts the mean vapour pressure deficit, in pascals, from the mean
// temperature and humidity. It is whole-number arithmetic, so that every board
// guesses alike; it only has to be near, as the difference is what is stored.
func (s *Span) guessVPD() int64 {
	if s.Has&(Temperature|Humidity) != Temperature|Humidity {
		return 0
	}
	t := min(max(int64(s.Temp.Mean), 0), 4999)
	at, part := t/500, t%500
	// Saturation vapour pressure over water at 0, 5 … 50 °C in pascals,
	// Magnus form (Sonntag 1990 coefficients), rounded.
	es := [...]int64{611, 872, 1227, 1704, 2337, 3166, 4242, 5622, 7375, 9581, 12335}
	sat := es[at] + (es[at+1]-es[at])*part/500
	return sat * (10000 - min(max(int64(s.Hum.Mean), 0), 10000)) / 10000
}
