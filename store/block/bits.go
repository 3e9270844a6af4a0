package block

import (
	"encoding/binary"
	"errors"
)

// ErrCorrupt says that a block's bytes cannot be what an encoder wrote.
var ErrCorrupt = errors.New("block is corrupt")

// bitWriter appends bits to buf, lowest first.
type bitWriter struct {
	buf []byte
	acc uint64
	n   uint
}

// write appends the low k bits of v, k at most 64.
func (w *bitWriter) write(v uint64, k uint) {
	for k > 32 {
		w.write(v&(1<<32-1), 32)
		v, k = v>>32, k-32
	}
	w.acc |= (v & (1<<k - 1)) << w.n
	w.n += k
	if w.n >= 32 {
		w.buf = binary.LittleEndian.AppendUint32(w.buf, uint32(w.acc))
		w.acc >>= 32
		w.n -= 32
	}
}

// finish pads with zeros to a whole byte and returns the buffer. The writer may be
// used again only with another buf.
func (w *bitWriter) finish() []byte {
	for at := uint(0); at < w.n; at += 8 {
		w.buf = append(w.buf, byte(w.acc>>at))
	}
	w.acc, w.n = 0, 0
	return w.buf
}

// bitReader reads what bitWriter wrote. Past the end it yields zeros, which
// bad then reports.
type bitReader struct {
	src []byte
	pos int
	acc uint64
	n   uint
}

// fill makes at least 56 bits available, counting zeros past the end.
func (r *bitReader) fill() {
	if r.n >= 56 {
		return
	}
	if r.pos+8 <= len(r.src) {
		r.acc |= binary.LittleEndian.Uint64(r.src[r.pos:]) << r.n
		took := (63 - r.n) >> 3
		r.pos += int(took)
		r.n += took * 8
		return
	}
	for r.n <= 56 {
		if r.pos < len(r.src) {
			r.acc |= uint64(r.src[r.pos]) << r.n
		}
		r.pos++
		r.n += 8
	}
}

// take drops k bits that fill made available and returns them; k at most 32.
func (r *bitReader) take(k uint) uint64 {
	v := r.acc & (1<<k - 1)
	r.acc >>= k
	r.n -= k
	return v
}

// read returns the next k bits, k at most 64.
func (r *bitReader) read(k uint) uint64 {
	var v uint64
	var at uint
	for k > 32 {
		r.fill()
		v |= r.take(32) << at
		at, k = at+32, k-32
	}
	r.fill()
	return v | r.take(k)<<at
}

// rest returns the source after the last byte used, and false when more was
// read than was there.
func (r *bitReader) rest() ([]byte, bool) {
	used := r.pos - int(r.n/8)
	if used > len(r.src) {
		return nil, false
	}
	return r.src[used:], true
}

// zigzag makes small numbers of either sign small unsigned ones: 0, −1, 1, −2 … become
// 0, 1, 2, 3 …; unzigzag is the reverse.
func zigzag(v int64) uint64   { return uint64(v<<1) ^ uint64(v>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// readUvarint and readVarint take a number off the head of src.
func readUvarint(src []byte) (uint64, []byte, error) {
	v, n := binary.Uvarint(src)
	if n <= 0 {
		return 0, nil, ErrCorrupt
	}
	return v, src[n:], nil
}

func readVarint(src []byte) (int64, []byte, error) {
	v, n := binary.Varint(src)
	if n <= 0 {
		return 0, nil, ErrCorrupt
	}
	return v, src[n:], nil
}

// grow returns s with n values of whatever was there.
func grow(s []int64, n int) []int64 {
	if cap(s) < n {
		return make([]int64, n, n+n/8+16)
	}
	return s[:n]
}
