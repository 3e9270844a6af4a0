package block

import "fmt"

// A Decoder unpacks blocks; it keeps scratch space between calls. The zero
// value is ready. Not for concurrent use.
type Decoder struct {
	col  columnReader
	vals []int64 // of columns, one after another
	recs []Record
}

// Scratch is how many values of columns the decoder keeps room for.
func (d *Decoder) Scratch() int { return max(cap(d.vals)/2, cap(d.recs)) }

// A sequence yields the values of one column of a block, in order. All columns but the raw
// values mostly are constant.
type sequence struct {
	v        []int64
	at, step int // step is 0 where v is one value for all
}

func (c *sequence) next() int64 {
	v := c.v[c.at]
	c.at += c.step
	return v
}

func (d *Decoder) column(src []byte, n int) (c sequence, rest []byte, err error) {
	v, rest, same := d.col.constant(src)
	if same && n > 0 {
		n = 1
	} else {
		c.step = 1
	}
	from := len(d.vals)
	if cap(d.vals)-from < n {
		d.vals, from = make([]int64, 0, 2*n+64), 0 // as much as two quantities take
	}
	d.vals = d.vals[:from+n]
	c.v = d.vals[from:]
	if c.step == 0 {
		c.v[0] = v
		return c, rest, nil
	}
	rest, err = d.col.read(src, c.v)
	return c, rest, err
}

// Decode appends the records of b, a block of one series, to dst. It never
// panics; what it returns without an error is what was encoded, as far as a
// CRC-32C can tell.
func (d *Decoder) Decode(dst []Record, b []byte) ([]Record, error) {
	body, err := unseal(b, formatSeries)
	if err != nil {
		return dst, err
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
	c, src, err := d.column(src, n)
	if err != nil {
		return nil, nil, err
	}
	out := make([]int, n)
	for i := range out {
		v := c.next() + int64(i)*slope
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
	d.vals = d.vals[:0]
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

// A body reads what follows the lengths. After an error it yields empty columns.
type body struct {
	d   *Decoder
	src []byte
	err error
}

func (b *body) column(n int) (c sequence) {
	if b.err == nil {
		c, b.src, b.err = b.d.column(b.src, n)
	}
	return c
}

func (b *body) number() (v int64) {
	if b.err == nil {
		v, b.src, b.err = readVarint(b.src)
	}
	return v
}

// columns fills recs from what follows the lengths.
func (d *Decoder) columns(src []byte, recs []Record, lengths []int, starts int) error {
	b := body{d: d, src: src}
	has := b.course(recs, lengths, starts)
	for q := range len(Values{}) {
		b.quantity(recs, q, &has)
	}
	if b.err == nil && len(b.src) != 0 {
		b.err = fmt.Errorf("%w: %d bytes left over", ErrCorrupt, len(b.src))
	}
	return b.err
}

// course sets the times and the status, which tells how long the columns to come are: it
// counts records by what they have. Each series has a grid of steps from its first record
// on, and nearly always all records are on it.
func (b *body) course(recs []Record, lengths []int, starts int) (has [64]int) {
	begin, step := b.column(starts), b.number()
	grid, clock, status := b.column(len(recs)), b.column(len(recs)), b.column(len(recs))
	if b.err != nil {
		return has
	}
	var all Record
	last, alike := int64(0), 0 // the status of the records before, and how many have it
	for _, n := range lengths {
		if n == 0 {
			continue
		}
		for due := begin.next(); n > 0; {
			if s := status.next(); alike == 0 || s != last {
				has[(all.Has|all.RawHas<<3)&63] += alike
				if last, alike = s, 0; !all.setStatus(s) {
					b.err = ErrCorrupt
					return has
				}
			}
			run := 1 // of records that differ in their times alone, and in these by the step
			if grid.step|clock.step|status.step == 0 {
				run = n
			}
			all.Mono = due + grid.next()
			all.Wall = all.Mono + clock.next()
			all.repeat(recs[:run], step)
			alike, due, n, recs = alike+run, due+int64(run)*step, n-run, recs[run:]
		}
	}
	has[(all.Has|all.RawHas<<3)&63] += alike
	return has
}

// repeat fills recs with r and what follows it in steps. Field by field: to copy what was
// just written is slow.
func (r *Record) repeat(recs []Record, step int64) {
	mono, wall, has, rawHas, quality, reason, synced := r.Mono, r.Wall, r.Has, r.RawHas, r.Quality, r.Reason, r.Synced
	for i := range recs {
		x := &recs[i]
		x.Mono, x.Wall, x.Value, x.Raw = mono, wall, Values{}, Values{}
		x.Has, x.RawHas, x.Quality, x.Reason, x.Synced = has, rawHas, quality, reason, synced
		mono += step
		wall += step
	}
}

// quantity reads the three columns of one quantity; see Encoder.quantity.
func (b *body) quantity(recs []Record, q int, has *[64]int) {
	raws, boths, onlies := 0, 0, 0
	for mask, n := range has {
		has, raw := mask>>q&1, mask>>3>>q&1
		raws, boths, onlies = raws+n*raw, boths+n*(has&raw), onlies+n*(has&^raw)
	}
	raw, l, off := b.column(raws), line{clip: 1<<q == Humidity}, sequence{}
	if boths > 0 {
		l.gain, l.offset, off = b.number()+lineOne, b.number(), b.column(boths)
	}
	only := b.column(onlies)
	if b.err != nil || raws+onlies == 0 {
		return
	}
	if boths == len(recs) && off.step == 0 && raw.step == 1 && b.plain(recs, q, raw, l, off) {
		return
	}
	for i := range recs {
		r, fits := &recs[i], true
		has := r.Has>>q&1 != 0
		if r.RawHas>>q&1 != 0 {
			x := raw.next()
			fits = r.Raw.set(q, x)
			if has {
				fits = r.Value.set(q, off.next()+l.at(x)) && fits
			}
		} else if has {
			fits = r.Value.set(q, only.next())
		}
		if !fits {
			b.err = ErrCorrupt
			return
		}
	}
}

// plain is the loop of quantity for what nearly all blocks have, which is most of the
// reading of a record: raw values, and calibrated ones that are all as far off their line.
// It reports whether all of them fit.
func (b *body) plain(recs []Record, q int, raw sequence, l line, off sequence) bool {
	away, odd := off.next(), int64(0)
	for i, x := range raw.v[:len(recs)] {
		r := &recs[i]
		v := away + l.at(x)
		r.Raw[q], r.Value[q] = int32(x), int32(v)
		odd |= x ^ int64(int32(x)) | v ^ int64(int32(v))
	}
	return odd == 0
}
