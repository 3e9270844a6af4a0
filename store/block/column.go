package block

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"
)

// The coders of what prediction leaves over.
const (
	coderNone   = iota // every residual is zero
	coderSparse        // the few that are not zero, with their distances
	coderRice          // unary quotient, k low bits
	coderRANS          // static range coder with a table of its own
)

// A column starts with one byte: coder in bits 0–1, predictor in bits 2–4,
// the Rice parameter (7: a byte of its own follows) in bits 5–7. headLevels alone
// says that levels and then the column of places on them follow, or a divisor.
const (
	headLevels = coderNone | 1<<5
	riceLong   = 7
	riceLimit  = 10 // longer quotients are escaped
	// ransLeast is the shortest column whose table can pay for itself, and ransWorth how
	// many bytes it has to take by other means.
	ransLeast = 200
	ransWorth = 32
)

// columnWriter keeps the scratch space of an encoder.
type columnWriter struct {
	quick     bool // try few predictors, and leave the range coder out
	res, best []int64
	trial     []byte
	rans      ransEncoder
	table     *columnWriter // for the range coder's
	levels    []int64       // see levelsOf
	places    []int64
	quotients []int64
}

// append adds v as one column. The count is not stored: the reader knows it.
func (c *columnWriter) append(dst []byte, v []int64) []byte {
	if len(v) == 0 {
		return dst
	}
	if d := divisor(v); d > 1 {
		dst = binary.AppendUvarint(append(dst, headLevels, 0), d)
		dst = binary.AppendVarint(dst, v[0])
		c.quotients = grow(c.quotients, len(v))
		for i, x := range v {
			c.quotients[i] = (x - v[0]) / int64(d)
		}
		v = c.quotients
	}
	from := len(dst)
	dst = c.plain(dst, v)
	const least = 8 // levels take as much
	if plain := len(dst) - from; plain > least && c.levelsOf(v) {
		dst = c.onLevels(dst, v)
		if onLevels := len(dst) - from - plain; onLevels < plain {
			dst = append(dst[:from], dst[from+plain:]...)
		} else {
			dst = dst[:from+plain]
		}
	}
	return dst
}

// divisor returns what all of v are multiples of apart, 1 where that saves nothing: where
// there is one step or none, or where distances overflow.
func divisor(v []int64) uint64 {
	var d uint64
	steps := 0
	for i := 1; i < len(v) && d != 1; i++ {
		if v[i] == v[i-1] {
			continue
		}
		steps++
		for a := uint64(max(v[i]-v[0], v[0]-v[i])); a != 0; {
			d, a = a, d%a
		}
	}
	if steps < 2 || d > math.MaxInt64 || slices.Min(v) < -math.MaxInt64/4 || slices.Max(v) > math.MaxInt64/4 {
		return 1
	}
	return d
}

// levelsOf leaves the distinct values of v in c.levels, rising, and reports whether
// they lie so far apart that places among them may be shorter: a probe that
// shows tenths, or sixteenths, in hundredths, a clock of whole seconds.
func (c *columnWriter) levelsOf(v []int64) bool {
	c.levels = append(c.levels[:0], v...)
	low, high := slices.Min(v), slices.Max(v)
	if span := uint64(high) - uint64(low); span < denseSpan {
		var seen [denseSpan]bool
		for _, x := range v {
			seen[x-low] = true
		}
		c.levels = c.levels[:0]
		for i, there := range seen[:span+1] {
			if there {
				c.levels = append(c.levels, low+int64(i))
			}
		}
	} else {
		slices.Sort(c.levels)
		c.levels = slices.Compact(c.levels)
	}
	return 2*uint64(len(c.levels))-1 <= uint64(high)-uint64(low)
}

// denseSpan is how far apart the ends of v may be to be told apart without sorting.
const denseSpan = 4096

// onLevels adds v as its levels, told by how far each is above the one before, and
// the place of each value among them.
func (c *columnWriter) onLevels(dst []byte, v []int64) []byte {
	c.places = grow(c.places, len(v))
	for i, x := range v {
		at, _ := slices.BinarySearch(c.levels, x)
		c.places[i] = int64(at)
	}
	dst = binary.AppendUvarint(append(dst, headLevels), uint64(len(c.levels)))
	dst = binary.AppendVarint(dst, c.levels[0])
	for i := len(c.levels) - 1; i > 0; i-- {
		c.levels[i] -= c.levels[i-1]
	}
	if len(c.levels) > 1 {
		dst = c.plain(dst, c.levels[1:])
	}
	return c.plain(dst, c.places)
}

// plain adds v by what a prediction leaves over.
func (c *columnWriter) plain(dst []byte, v []int64) []byte {
	p := c.choose(v)
	first, res := c.best[0], c.best[1:]
	zero := 0
	for _, r := range res {
		if r == 0 {
			zero++
		}
	}
	if zero == len(res) {
		dst = append(dst, coderNone|p<<2)
		return binary.AppendVarint(dst, first)
	}
	k, riceBits := riceParameter(res)
	size := (riceBits + 7) / 8
	sparse := sparseSize(res, size)
	if least := min(size, sparse); len(res) >= ransLeast && least > ransWorth && !c.quick {
		c.trial = c.withTable(c.trial[:0], res)
		if len(c.trial) < least {
			dst = binary.AppendVarint(append(dst, coderRANS|p<<2), first)
			return append(dst, c.trial...)
		}
	}
	if sparse <= size {
		dst = binary.AppendVarint(append(dst, coderSparse|p<<2), first)
		return appendSparse(dst, res, len(res)-zero)
	}
	return appendRice(dst, p, first, res, k)
}

// withTable adds what the range coder makes of res, behind its frequencies: these fall
// smoothly, and are a column that is shorter than ransLeast, so that it has no table.
func (c *columnWriter) withTable(dst []byte, res []int64) []byte {
	freq := c.rans.table(res)
	if c.table == nil {
		c.table = new(columnWriter)
	}
	var table [maxTokens]int64
	for t, f := range freq {
		table[t] = int64(f)
	}
	dst = c.table.plain(append(dst, byte(len(freq))), table[:len(freq)])
	return c.rans.append(dst, res)
}

// choose leaves the residuals of the cheapest predictor in c.best. Which one
// that is shows in a sample of a long column; a short one is not worth more than
// the choice between its ends and its middle.
func (c *columnWriter) choose(v []int64) uint8 {
	if flat(v) {
		c.best = grow(c.best, len(v))
		clear(c.best)
		c.best[0] = v[0]
		return 0
	}
	sample, step, size := v, uint8(1), 768
	if c.quick || len(v) < ransLeast {
		step, size = 4, 128
	}
	if len(v) > 2*size {
		from := len(v) / 3
		sample = v[from : from+size]
	}
	c.res = grow(c.res, len(sample))
	pick, least := uint8(0), math.Inf(1)
	for p := uint8(0); p < 8 && least > 0; p += step {
		predict(p, sample, c.res)
		if s := cost(c.res[1:], least); s < least*(1-1e-9) {
			pick, least = p, s
		}
	}
	if least == 0 { // nothing but steps, if any: their list is shortest from the last value
		pick = 0
	}
	c.best = grow(c.best, len(v))
	predict(pick, v, c.best)
	return pick
}

// cost estimates how many bits residuals need, or anything above most once it
// is clear that it is more: the log of their mean magnitude, taken over short
// runs, as a wild stretch must not decide for a calm one.
func cost(res []int64, most float64) float64 {
	const run = 16
	var sum float64
	for len(res) > 0 && sum < most {
		n := min(run, len(res))
		var total uint64
		for _, r := range res[:n] {
			total += uint64(max(r, -r))
		}
		if total > 0 {
			sum += float64(n) * math.Log2(1+float64(total)/float64(n))
		}
		res = res[n:]
	}
	return sum
}

func flat(v []int64) bool {
	for _, x := range v {
		if x != v[0] {
			return false
		}
	}
	return true
}

// riceParameter returns the cheapest k and the bits it takes. A column's best k is
// near the logarithm of its mean (Rice, JPL Publication 79-22, 1979; the factor was
// found by trial), so only those about it are tried.
func riceParameter(res []int64) (k uint, size int) {
	size = -1
	var sum float64
	for _, r := range res {
		sum += float64(zigzag(r))
	}
	guess := bits.Len64(uint64(sum / float64(len(res)) * 0.7))
	for try := max(guess-2, 0); try <= min(guess+1, 40); try++ {
		total := 0
		for _, r := range res {
			total += riceBits(zigzag(r), uint(try))
		}
		if try >= riceLong {
			total += 8
		}
		if size < 0 || total < size {
			k, size = uint(try), total
		}
	}
	return k, size
}

// riceBits is the length of one code: u's high part in ones, a zero and k low bits,
// or riceLimit ones, 6 bits of length and u itself, so that no value is endless.
func riceBits(u uint64, k uint) int {
	if q := u >> k; q < riceLimit {
		return int(q) + 1 + int(k)
	}
	return riceLimit + 6 + max(bits.Len64(u), 1)
}

// appendRice adds a column coded with the parameter k: head, k if it is long, the
// first value and the residuals' bits.
func appendRice(dst []byte, p uint8, first int64, res []int64, k uint) []byte {
	if k < riceLong {
		dst = append(dst, coderRice|p<<2|byte(k)<<5)
	} else {
		dst = append(dst, coderRice|p<<2|riceLong<<5, byte(k))
	}
	w := bitWriter{buf: binary.AppendVarint(dst, first)}
	for _, r := range res {
		u := zigzag(r)
		if q := u >> k; q < riceLimit {
			if k <= 16 { // both parts at once
				w.write(1<<q-1|(u&(1<<k-1))<<(q+1), uint(q)+1+k)
			} else {
				w.write(1<<q-1, uint(q)+1)
				w.write(u, k)
			}
			continue
		}
		n := uint(max(bits.Len64(u), 1))
		w.write(1<<riceLimit-1, riceLimit)
		w.write(uint64(n-1), 6)
		w.write(u, n)
	}
	return w.finish()
}

// sparseSize is the length of appendSparse, give or take the count, or anything above
// most once it is clear that it is more.
func sparseSize(res []int64, most int) int {
	size, gap := 1, 0
	for _, r := range res {
		gap++
		if r != 0 {
			if size > most {
				break
			}
			size += varintLen(uint64(gap)) + varintLen(zigzag(r))
			gap = 0
		}
	}
	return size
}

func varintLen(u uint64) int { return (bits.Len64(u|1) + 6) / 7 }

// appendSparse lists the count residuals that are not zero, each after the distance
// from the one before.
func appendSparse(dst []byte, res []int64, count int) []byte {
	dst = binary.AppendUvarint(dst, uint64(count))
	gap := uint64(0)
	for _, r := range res {
		gap++
		if r != 0 {
			dst = binary.AppendVarint(binary.AppendUvarint(dst, gap), r)
			gap = 0
		}
	}
	return dst
}
