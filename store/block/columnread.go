package block

import "math/bits"

// readRice fills v with the values of a column coded by appendRice, and returns
// what follows it. Bits and predictions are taken in one loop: each waits for
// the value before, and the processor works on both at once. The reader's state
// is kept in local variables while bits are plenty, as going through memory would
// take as long as all the rest.
func readRice(src []byte, v []int64, k uint, guess predictor) ([]byte, error) {
	r := bitReader{src: src}
	low, need := uint64(1)<<k-1, riceLimit+k // the longest plain code, as k is at most 40
	for i := 0; i < len(v); {
		r.fill()
		acc, n := r.acc, r.n
		for i < len(v) && n >= need {
			q := uint(bits.TrailingZeros64(^acc))
			if q >= riceLimit {
				break
			}
			v[i], guess = guess.step(unzigzag(uint64(q)<<(k&63) | acc>>((q+1)&63)&low))
			acc >>= (q + 1 + k) & 63
			n -= q + 1 + k
			i++
		}
		r.acc, r.n = acc, n
		if n >= need && i < len(v) { // a code that was too long to be plain
			r.take(riceLimit)
			v[i], guess = guess.step(unzigzag(r.read(uint(r.read(6)) + 1)))
			i++
		}
	}
	rest, ok := r.rest()
	if !ok {
		return nil, ErrCorrupt
	}
	return rest, nil
}

// readSparse fills res with what appendSparse listed, and returns what follows it.
func readSparse(src []byte, res []int64) ([]byte, error) {
	clear(res)
	count, src, err := readUvarint(src)
	if err != nil || count > uint64(len(res)) {
		return nil, ErrCorrupt
	}
	at := uint64(0)
	for range count {
		var gap uint64
		if gap, src, err = readUvarint(src); err != nil {
			return nil, err
		}
		if gap == 0 || gap > uint64(len(res))-at {
			return nil, ErrCorrupt
		}
		at += gap
		if res[at-1], src, err = readVarint(src); err != nil {
			return nil, err
		}
	}
	return src, nil
}

// columnReader keeps the scratch space of a decoder.
type columnReader struct {
	rans   ransDecoder
	levels []int64
}

// constant returns the value of a column whose values are all alike, and what
// follows it; false where the column is another. Such columns (the status, the
// grid, a calibration) are most of them, and need not be spelled out.
func (c *columnReader) constant(src []byte) (v int64, rest []byte, ok bool) {
	if len(src) < 2 || src[0]&3 != coderNone || src[0]>>5 != 0 {
		return 0, src, false
	}
	v, rest, err := readVarint(src[1:])
	return v, rest, err == nil
}

// read fills v from the column at the head of src and returns what follows it.
func (c *columnReader) read(src []byte, v []int64) ([]byte, error) {
	if len(v) == 0 || len(src) == 0 || src[0] != headLevels {
		return c.plain(src, v)
	}
	count, src, err := readUvarint(src[1:])
	if err == nil && count == 0 {
		return c.multiples(src, v)
	}
	if err != nil || count > uint64(len(v)) {
		return nil, ErrCorrupt
	}
	c.levels = grow(c.levels, int(count))
	if c.levels[0], src, err = readVarint(src); err != nil {
		return nil, err
	}
	if src, err = c.plain(src, c.levels[1:]); err != nil {
		return nil, err
	}
	for i := 1; i < len(c.levels); i++ {
		c.levels[i] += c.levels[i-1]
	}
	if src, err = c.plain(src, v); err != nil {
		return nil, err
	}
	for i, at := range v {
		if uint64(at) >= count {
			return nil, ErrCorrupt
		}
		v[i] = c.levels[at]
	}
	return src, nil
}

// multiples fills v with a column of multiples of a divisor, which may lie on levels.
func (c *columnReader) multiples(src []byte, v []int64) ([]byte, error) {
	d, src, err := readUvarint(src)
	if err != nil || d <= 1 {
		return nil, ErrCorrupt
	}
	first, src, err := readVarint(src)
	if err != nil || len(src) > 1 && src[0] == headLevels && src[1] == 0 {
		return nil, ErrCorrupt
	}
	if src, err = c.read(src, v); err != nil {
		return nil, err
	}
	for i := range v {
		v[i] = first + v[i]*int64(d)
	}
	return src, nil
}

// plain fills v with a column by what a prediction left over.
func (c *columnReader) plain(src []byte, v []int64) ([]byte, error) {
	if len(v) == 0 {
		return src, nil
	}
	if len(src) < 2 || src[0] == headLevels {
		return nil, ErrCorrupt
	}
	head := src[0]
	src = src[1:]
	k := uint(head >> 5)
	if k == riceLong {
		k = uint(src[0])
		src = src[1:]
	}
	first, src, err := readVarint(src)
	if err != nil || k > 40 {
		return nil, ErrCorrupt
	}
	v[0] = first
	guess := startAt(head>>2&7, first)
	switch head & 3 {
	case coderNone: // any mean of equals is the same again
		for i := range v {
			v[i] = first
		}
		return src, nil
	case coderRice:
		return readRice(src, v[1:], k, guess)
	case coderRANS:
		if src, err = c.readTable(src); err != nil {
			return nil, err
		}
		return c.rans.read(src, v[1:], guess)
	default:
		src, err = readSparse(src, v[1:])
		unpredict(guess, v[1:])
		return src, err
	}
}

// readTable hands the frequencies at the head of src, a column without such a table, to
// the range coder, and returns what follows them.
func (c *columnReader) readTable(src []byte) ([]byte, error) {
	if len(src) < 2 || src[0] == 0 || src[0] > maxTokens || src[1]&3 == coderRANS {
		return nil, ErrCorrupt
	}
	var table [maxTokens]int64
	freq := table[:src[0]]
	src, err := c.plain(src[1:], freq)
	if err != nil {
		return nil, err
	}
	return src, c.rans.fill(freq)
}
