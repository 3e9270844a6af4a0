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

// spanColumns is the number of columns of a block of spans.
const spanColumns = 16

// AppendSpans adds one sealed block of spans, width milliseconds apart, to dst.
func (e *Encoder) AppendSpans(dst []byte, width int64, spans []Span) ([]byte, error) {
	if len(spans) > MaxRecords {
		return dst, fmt.Errorf("a block takes %d rollups, not %d", MaxRecords, len(spans))
	}
	from := len(dst)
	dst = append(dst, formatSpans)
	dst = binary.AppendUvarint(dst, uint64(len(spans)))
	dst = binary.AppendUvarint(dst, uint64(width))
	for c := range spanColumns {
		e.vals = e.vals[:0]
		for i := range spans {
			e.vals = append(e.vals, spans[i].column(c, int64(i)*width))
		}
		dst = e.col.append(dst, e.vals)
	}
	return seal(dst, from), nil
}

// DecodeSpans appends the spans of b to dst.
func (d *Decoder) DecodeSpans(dst []Span, b []byte) ([]Span, error) {
	src, err := unseal(b, formatSpans)
	if err != nil {
		return dst, err
	}
	n, src, err := readUvarint(src)
	if err != nil || n > MaxRecords {
		return dst, ErrCorrupt
	}
	width, src, err := readUvarint(src)
	if err != nil || width > 1<<40 {
		return dst, ErrCorrupt
	}
	from := len(dst)
	dst = append(dst, make([]Span, n)...)
	d.vals = grow(d.vals, int(n))
	for c := range spanColumns {
		if src, err = d.col.read(src, d.vals); err != nil {
			return dst[:from], err
		}
		for i, v := range d.vals {
			if !dst[from+i].setColumn(c, int64(i)*int64(width), v) {
				return dst[:from], ErrCorrupt
			}
		}
	}
	if len(src) != 0 {
		return dst[:from], fmt.Errorf("%w: %d bytes left over", ErrCorrupt, len(src))
	}
	return dst, nil
}

// column returns column c of s; at is how far a gapless series would have come.
// Columns later in the order are told from earlier ones.
func (s *Span) column(c int, at int64) int64 {
	switch c {
	case 0:
		return s.Start - at
	case 1:
		return int64(s.Has)
	case 2:
		return int64(s.Count)
	case 3:
		return int64(s.Temp.Mean)
	case 4:
		return int64(s.Temp.Mean) - int64(s.Temp.Min)
	case 5:
		return int64(s.Temp.Max) - int64(s.Temp.Mean)
	case 6:
		return int64(s.Hum.Mean)
	case 7:
		return int64(s.Hum.Mean) - int64(s.Hum.Min)
	case 8:
		return int64(s.Hum.Max) - int64(s.Hum.Mean)
	case 9:
		return int64(s.VPD.Mean) - s.guessVPD()
	case 10:
		return int64(s.VPD.Mean) - int64(s.VPD.Min)
	case 11:
		return int64(s.VPD.Max) - int64(s.VPD.Mean)
	case 12:
		return s.Covered
	case 13:
		return s.Covered - s.InBand
	case 14:
		return s.Below
	default:
		return s.Above
	}
}

// setColumn is the reverse; false when the value does not fit.
func (s *Span) setColumn(c int, at, v int64) bool {
	switch c {
	case 0:
		s.Start = v + at
	case 1:
		s.Has = uint8(v)
	case 2:
		s.Count = int32(v)
	case 3:
		s.Temp.Mean = int32(v)
	case 4:
		s.Temp.Min = int32(int64(s.Temp.Mean) - v)
	case 5:
		s.Temp.Max = int32(v + int64(s.Temp.Mean))
	case 6:
		s.Hum.Mean = int32(v)
	case 7:
		s.Hum.Min = int32(int64(s.Hum.Mean) - v)
	case 8:
		s.Hum.Max = int32(v + int64(s.Hum.Mean))
	case 9:
		s.VPD.Mean = int32(v + s.guessVPD())
	case 10:
		s.VPD.Min = int32(int64(s.VPD.Mean) - v)
	case 11:
		s.VPD.Max = int32(v + int64(s.VPD.Mean))
	case 12:
		s.Covered = v
	case 13:
		s.InBand = s.Covered - v
	case 14:
		s.Below = v
	default:
		s.Above = v
	}
	return s.column(c, at) == v
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
