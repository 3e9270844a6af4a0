package block

// A predictor guesses the next value of a column. With weight 0 that is the last
// value, with 1 to 7 a running mean that moves so many eighths of the way to
// each new value: a noisy probe is nearer to its mean than to its last value.
// It is passed by value, so that loops keep it in registers.
type predictor struct {
	weight int64
	state  int64 // the last value; of a mean, the mean in 1/2^meanBits, plus a half
}

// meanBits is the fraction kept in a running mean.
const (
	meanBits = 6
	meanHalf = 1 << (meanBits - 1)
	meanPart = 1<<meanBits - 1
)

// startAt returns the predictor p once it has seen the first value.
func startAt(p uint8, first int64) predictor {
	if p == 0 {
		return predictor{state: first}
	}
	return predictor{weight: int64(p), state: first<<meanBits + meanHalf}
}

// next is the guess: the last value, or the mean rounded.
func (p predictor) next() int64 {
	if p.weight == 0 {
		return p.state
	}
	return p.state >> meanBits
}

// step returns the value that is res away from the guess, and the predictor once
// it has seen that value. The mean m becomes m + weight/8 · (value − m); written
// out in residuals it takes fewer steps that wait for one another.
func (p predictor) step(res int64) (int64, predictor) {
	if p.weight == 0 {
		p.state += res
		return p.state, p
	}
	v := p.state>>meanBits + res
	p.state += ((res<<meanBits + meanHalf - p.state&meanPart) * p.weight) >> 3
	return v, p
}

// predict writes v minus what predictor p says of it to res; the first residual
// is the value itself.
func predict(p uint8, v, res []int64) {
	if len(v) == 0 {
		return
	}
	res[0] = v[0]
	guess := startAt(p, v[0])
	for i := 1; i < len(v); i++ {
		r := v[i] - guess.next()
		res[i] = r
		_, guess = guess.step(r)
	}
}

// unpredict turns residuals back into values, in place, from the guess on.
func unpredict(guess predictor, v []int64) {
	for i, r := range v {
		v[i], guess = guess.step(r)
	}
}
