package block

import (
	"encoding/binary"
	"math/bits"
)

// A residual is split into a token (its magnitude, or the class of a large
// one) that the range coder takes, and raw bits (the rest of the magnitude,
// then the sign). Signs are as good as random, so a table over magnitudes is
// half as long.
const (
	plain     = 48         // magnitudes below it are their own token
	maxTokens = plain + 64 // classes above
	scaleBits = 12
	scale     = 1 << scaleBits
	ransLow   = 1 << 16 // the coder's state stays in [ransLow, ransLow<<16)
)

// tokenOf splits a residual into its token and the low n bits of raw.
func tokenOf(r int64) (token uint8, raw uint64, n uint) {
	m, sign := uint64(r), uint64(0)
	if r < 0 {
		m, sign = -m, 1
	}
	if m < plain {
		if m == 0 {
			return 0, 0, 0
		}
		return uint8(m), sign, 1
	}
	x := m - plain + 1
	class := uint(bits.Len64(x)) - 1
	return uint8(plain + class), (x&(1<<class-1))<<1 | sign, class + 1
}

// ransEncoder keeps the scratch space of the range coder.
type ransEncoder struct {
	tokens []uint8
	words  []uint16
	freq   [maxTokens]uint32
}

// table counts the tokens of res, and returns how often each is to be met in scale of them.
func (e *ransEncoder) table(res []int64) (freq []uint32) {
	e.tokens = e.tokens[:0]
	var counts [maxTokens]int
	for _, r := range res {
		t, _, _ := tokenOf(r)
		e.tokens = append(e.tokens, t)
		counts[t]++
	}
	var used int
	e.freq, used = normalise(&counts, len(res))
	return e.freq[:used]
}

// append codes res, which table has counted: word count, state, words, raw bits. It goes
// through res backwards, as a coder of this kind is a stack: what went in last comes out
// first.
func (e *ransEncoder) append(dst []byte, res []int64) []byte {
	var start [maxTokens]uint32
	for t := 1; t < maxTokens; t++ {
		start[t] = start[t-1] + e.freq[t-1]
	}
	e.words = e.words[:0]
	x := uint32(ransLow)
	for i := len(e.tokens) - 1; i >= 0; i-- {
		t := e.tokens[i]
		f := e.freq[t]
		if uint64(x) >= uint64(ransLow>>scaleBits<<16)*uint64(f) {
			e.words = append(e.words, uint16(x))
			x >>= 16
		}
		x = x/f<<scaleBits + x%f + start[t]
	}
	dst = binary.AppendUvarint(dst, uint64(len(e.words)))
	dst = binary.LittleEndian.AppendUint32(dst, x)
	for i := len(e.words) - 1; i >= 0; i-- {
		dst = binary.LittleEndian.AppendUint16(dst, e.words[i])
	}
	w := bitWriter{buf: dst}
	for _, r := range res {
		_, raw, n := tokenOf(r)
		w.write(raw, n)
	}
	return w.finish()
}

// normalise scales counts to a sum of scale, leaving nothing that occurs at 0.
func normalise(counts *[maxTokens]int, total int) (freq [maxTokens]uint32, used int) {
	sum, top := 0, 0
	for t, n := range counts {
		if n == 0 {
			continue
		}
		used = t + 1
		f := max(n*scale/total, 1)
		freq[t] = uint32(f)
		sum += f
		if f > int(freq[top]) {
			top = t
		}
	}
	for sum > scale { // rare tokens were lifted to 1: take it back where it is cheapest
		top = 0
		for t := range used {
			if freq[t] > freq[top] {
				top = t
			}
		}
		freq[top]--
		sum--
	}
	freq[top] += uint32(scale - sum)
	return freq, used
}

// A slot is what the low bits of the coder's state decode to: the token in bits
// 24–30, the offset inside the token's range in bits 12–23, and its frequency less
// one below. Packed, the table takes half of a small processor's nearest cache.
type slot uint32

// ransDecoder keeps the decoding table.
type ransDecoder struct{ slots [scale]slot }

// read fills v with the values of a column coded by ransEncoder.append, and
// returns what follows it.
func (d *ransDecoder) read(src []byte, v []int64, guess predictor) ([]byte, error) {
	n, src, err := readUvarint(src)
	if err != nil || len(src) < 4 || n > uint64(len(src)-4)/2 {
		return nil, ErrCorrupt
	}
	x := binary.LittleEndian.Uint32(src)
	words, src := src[4:4+2*n], src[4+2*n:]
	raw := bitReader{src: src}
	for i := range v {
		s := uint32(d.slots[x&(scale-1)])
		x = (s&(scale-1)+1)*(x>>scaleBits) + s>>scaleBits&(scale-1)
		if x < ransLow {
			if len(words) < 2 {
				return nil, ErrCorrupt
			}
			x = x<<16 | uint32(binary.LittleEndian.Uint16(words))
			words = words[2:]
		}
		if raw.n < 1 {
			raw.fill()
		}
		var res int64
		switch token := int64(s >> (2 * scaleBits)); {
		case token == 0:
		case token < plain:
			sign := -int64(raw.acc & 1)
			raw.acc >>= 1
			raw.n--
			res = (token ^ sign) - sign
		default:
			class := uint(token - plain)
			sign := -int64(raw.read(1))
			m := raw.read(class) + 1<<class + plain - 1
			res = (int64(m) ^ sign) - sign
		}
		v[i], guess = guess.step(res)
	}
	rest, ok := raw.rest()
	if !ok || x != ransLow || len(words) != 0 {
		return nil, ErrCorrupt
	}
	return rest, nil
}

// fill makes the decoding table of frequencies, which have to sum up to scale.
func (d *ransDecoder) fill(freq []int64) error {
	at := int64(0)
	for t, f := range freq {
		if f < 0 || f > scale-at {
			return ErrCorrupt
		}
		for i := range f {
			d.slots[at+i] = slot(t)<<(2*scaleBits) | slot(i)<<scaleBits | slot(f-1)
		}
		at += f
	}
	if at != scale {
		return ErrCorrupt
	}
	return nil
}
