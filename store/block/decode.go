package block

import "fmt"

// A Decoder unpacks blocks; it keeps scratch space between calls. The zero
// value is ready. Not for concurrent use.
type Decoder struct {
	col  columnReader
	run  run
	vals []int64
	recs []Record
	has  [64]int // how many records have which quantities, from their status
}

// Scratch is how many values of a column the decoder keeps room for.
func (d *Decoder) Scratch() int { return max(cap(d.vals), cap(d.run.rawTemps), cap(d.recs)) }

// Decode appends the records of b, a block of one series, to dst. It never
// panics; what it returns without an error is what was encoded, as far as a
// CRC-32C can tell.
func (d *Decoder) Decode(dst []Record, b []byte) ([]Record, error) {
	body, err := unseal(b, formatSeries)
	if err != nil {
		return dst, err
	}
	if d.run.read(body, &d.col) {
		return d.run.appendTo(dst), nil
	}
	from := len(dst)
	dst, lengths, _, err := d.decode(dst, body, false)
	if err == nil && len(lengths) != 1 {
		err = ErrCorrupt
	}
	if err != nil {
		return dst[:from], err
	}
	return dst, nil
}

// DecodeSet yields each series of b, a block made by AppendSet, with its
// number. The records are valid until the next call.
func (d *Decoder) DecodeSet(b []byte, yield func(id int, recs []Record)) error {
	body, err := unseal(b, formatSet)
	if err != nil {
		return err
	}
	var lengths, ids []int
	d.recs, lengths, ids, err = d.decode(d.recs[:0], body, true)
	if err != nil {
		return err
	}
	at := 0
	for i, n := range lengths {
		yield(ids[i], d.recs[at:at+n])
		at += n
	}
	return nil
}

// counts reads a column of n whole numbers, each plus its place times slope, and
// refuses what is below 0 or above MaxRecords.
func (d *Decoder) counts(src []byte, n int, slope int64) ([]int, []byte, error) {
	d.vals = grow(d.vals, n)
	src, err := d.col.read(src, d.vals)
	if err != nil {
		return nil, nil, err
	}
	out := make([]int, n)
	for i, v := range d.vals {
		v += int64(i) * slope
		if v < 0 || v > MaxRecords {
			return nil, nil, ErrCorrupt
		}
		out[i] = int(v)
	}
	return out, src, nil
}

// decode appends the records of a body to dst, one series after another, and tells
// how many each has, and in a set under which number. It makes room only after the
// counts were found to be within bounds: they are claims of a file.
func (d *Decoder) decode(dst []Record, src []byte, set bool) (recs []Record, lengths, ids []int, err error) {
	count, src, err := readUvarint(src)
	if err != nil || count > MaxSeries {
		return dst, nil, nil, ErrCorrupt
	}
	if set {
		if ids, src, err = d.counts(src, int(count), 1); err != nil {
			return dst, nil, nil, err
		}
	}
	if lengths, src, err = d.counts(src, int(count), 0); err != nil {
		return dst, nil, nil, err
	}
	total, starts := 0, 0
	for _, n := range lengths {
		total += n
		if n > 0 {
			starts++
		}
	}
	if total > MaxRecords {
		return dst, nil, nil, ErrCorrupt
	}
	from := len(dst)
	if cap(dst)-from < total {
		dst = append(make([]Record, 0, from+total), dst...)
	}
	dst = dst[:from+total]
	if err := d.columns(src, dst[from:], lengths, starts); err != nil {
		return dst[:from], nil, nil, err
	}
	return dst, lengths, ids, nil
}

// columns fills recs from what follows the lengths.
func (d *Decoder) columns(src []byte, recs []Record, lengths []int, starts int) error {
	clear(recs)
	src, err := d.times(src, recs, lengths, starts)
	if err != nil {
		return err
	}
	if src, err = d.status(src, recs); err != nil {
		return err
	}
	for _, q := range [...]uint8{Temperature, Humidity, Light} {
		if src, err = d.quantity(src, recs, q); err != nil {
			return err
		}
	}
	if len(src) != 0 {
		return fmt.Errorf("%w: %d bytes left over", ErrCorrupt, len(src))
	}
	return nil
}

// times sets the running times: each series has a grid of steps from its first
// record on, and nearly always all records are on it.
func (d *Decoder) times(src []byte, recs []Record, lengths []int, starts int) ([]byte, error) {
	begin := make([]int64, starts)
	src, err := d.col.read(src, begin)
	if err != nil {
		return nil, err
	}
	step, src, err := readVarint(src)
	if err != nil {
		return nil, err
	}
	d.vals = grow(d.vals, len(recs))
	if src, err = d.col.read(src, d.vals); err != nil {
		return nil, err
	}
	at := 0
	for _, n := range lengths {
		if n == 0 {
			continue
		}
		due := begin[0]
		for range n {
			recs[at].Mono = due + d.vals[at]
			due += step
			at++
		}
		begin = begin[1:]
	}
	if src, err = d.col.read(src, d.vals); err != nil { // how far the wall clock is from the running one
		return nil, err
	}
	for i := range recs {
		recs[i].Wall = recs[i].Mono + d.vals[i]
	}
	return src, nil
}

// status sets what the records have, their quality and whether the clock was set,
// and counts them by what they have: that tells how long the columns to come are.
func (d *Decoder) status(src []byte, recs []Record) ([]byte, error) {
	d.has = [64]int{}
	src, err := d.col.read(src, d.vals)
	if err != nil {
		return nil, err
	}
	for i := range recs {
		if !recs[i].setStatus(d.vals[i]) {
			return nil, ErrCorrupt
		}
		d.has[recs[i].Has&7|recs[i].RawHas&7<<3]++
	}
	return src, nil
}

// quantity reads the three columns of one quantity; see Encoder.quantity.
func (d *Decoder) quantity(src []byte, recs []Record, q uint8) ([]byte, error) {
	raws, boths, onlies := 0, 0, 0
	for mask, n := range d.has {
		has, raw := uint8(mask)&q != 0, uint8(mask>>3)&q != 0
		switch {
		case has && raw:
			raws, boths = raws+n, boths+n
		case raw:
			raws += n
		case has:
			onlies += n
		}
	}
	v := d.vals[:raws]
	src, err := d.col.read(src, v)
	if err != nil {
		return nil, err
	}
	if !putRaw(recs, q, v) {
		return nil, ErrCorrupt
	}
	if boths > 0 {
		if src, err = d.derived(src, recs, q, boths); err != nil {
			return nil, err
		}
	}
	v = d.vals[:onlies]
	if src, err = d.col.read(src, v); err != nil {
		return nil, err
	}
	if onlies > 0 && !putOnly(recs, q, v) {
		return nil, ErrCorrupt
	}
	return src, nil
}

// derived reads the calibrated values that follow from raw ones.
func (d *Decoder) derived(src []byte, recs []Record, q uint8, n int) ([]byte, error) {
	gain, src, err := readVarint(src)
	if err != nil {
		return nil, err
	}
	offset, src, err := readVarint(src)
	if err != nil {
		return nil, err
	}
	l := line{gain: gain + lineOne, offset: offset, clip: q == Humidity}
	off := d.vals[:n]
	if src, err = d.col.read(src, off); err != nil {
		return nil, err
	}
	at := 0
	for i := range recs {
		r := &recs[i]
		if r.Has&r.RawHas&q == 0 {
			continue
		}
		if !r.setValue(q, off[at]+l.at(r.raw(q))) {
			return nil, ErrCorrupt
		}
		at++
	}
	return src, nil
}

// putRaw hands v to the records with a raw value; false when one does not fit.
func putRaw(recs []Record, q uint8, v []int64) bool {
	at := 0
	for i := range recs {
		if r := &recs[i]; r.RawHas&q != 0 {
			if !r.setRaw(q, v[at]) {
				return false
			}
			at++
		}
	}
	return true
}

// putOnly hands v to the records that have a value but no raw one.
func putOnly(recs []Record, q uint8, v []int64) bool {
	at := 0
	for i := range recs {
		if r := &recs[i]; r.Has&^r.RawHas&q != 0 {
			if !r.setValue(q, v[at]) {
				return false
			}
			at++
		}
	}
	return true
}

// setRaw sets a raw value; false when it does not fit, as only damage can make it.
func (r *Record) setRaw(q uint8, v int64) bool {
	switch q {
	case Temperature:
		r.RawTemperature = int32(v)
	case Humidity:
		r.RawHumidity = int32(v)
	default:
		r.RawLight = uint32(v)
	}
	return r.raw(q) == v
}

// setValue is setRaw for calibrated values.
func (r *Record) setValue(q uint8, v int64) bool {
	switch q {
	case Temperature:
		r.Temperature = int32(v)
	case Humidity:
		r.Humidity = int32(v)
	default:
		r.Light = uint32(v)
	}
	return r.value(q) == v
}
