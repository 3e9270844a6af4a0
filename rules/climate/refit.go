package climate

import (
	"math"
	"slices"
)

// The time constants tried, in hours: wider than what is accepted, so that an
// enclosure outside of it is recognised instead of squeezed in.
var (
	fastTried = [...]float64{0.1, 0.2, 0.35, 0.6, 1, 1.6}
	slowTried = [...]float64{2, 3.2, 5, 7.5, 12, 20}
)

const (
	tried = len(fastTried) + len(slowTried)

	burnIn    = 12 * slotsHour // until the filters forget how they began
	leastPart = 0.6            // of a day's slots must be usable
	leastR2   = 0.8
	leastMove = 1.0 // °C of the room
	leastTau  = 0.3 // h
	mostTau   = 10  // h
	pivotTemp = 22  // °C, taken off before squaring: keeps the sums well conditioned
)

// traces are what a fit is made of: the air, and room and lamps through each filter tried,
// slot by slot.
type traces struct {
	air             []float64
	room, lamps     [tried][]float64
	lowest, highest float64 // of the room
	lampsMove       bool
}

// Refit learns from the readings so far, at most a week back, and reports whether that
// fit is in use now: only if it predicts the last day, which it was not fitted to, better
// than the one before. It needs two days, a room that moved by 1 °C, a time constant of
// 0.3 to 10 h and an R² of 0.8. Call it once a night.
func (m *Thermal) Refit() bool {
	m.learnRoom()
	first, split := m.Slot-slotCount+1, m.Slot-slotsDay
	for first < split && !m.usable(first) {
		first++
	}
	t := m.traces(first, split)
	held := 0
	for n := split; n < m.Slot; n++ {
		if m.usable(n) {
			held++
		}
	}
	if float64(len(t.air)) < leastPart*slotsDay/2 || float64(held) < leastPart*slotsDay || t.highest-t.lowest < leastMove {
		return false
	}
	p := m.bestPair(&t)
	tau := p.effectiveTau()
	if !(tau >= leastTau && tau <= mostTau) || p.FastPart < 0 || p.FastPart > 1.05 {
		return false
	}
	if r2 := m.learnOffsets(&p, first, split); !(r2 >= leastR2) {
		return false
	}
	p.Residual, p.Drift = m.score(&p, first, split)
	if old, _ := m.score(&m.Params, first, split); !(p.Residual < old) {
		return false
	}
	p.Learned = true
	m.adopt(p, first)
	return true
}

// learnRoom notes where the room usually is: inside of that something holds it.
func (m *Thermal) learnRoom() {
	xs := make([]float64, 0, slotCount)
	for _, s := range m.Week {
		if s.room != noTemp {
			xs = append(xs, float64(s.room)/100)
		}
	}
	n := len(xs)
	if m.HasUsual = n >= slotsDay; m.HasUsual {
		slices.Sort(xs)
		m.Usual = Span{Low: xs[n/20], Mid: xs[n/2], High: xs[n-1-n/20]}
	}
}

// A replay steps filters through the slots; gaps hold the last input.
type replay struct {
	room, lamps float64
}

// traces runs every filter tried over the slots from first up to end and takes every
// second usable slot: neighbours tell the same story, and it halves the work.
func (m *Thermal) traces(first, end int64) (t traces) {
	var move, mean [tried]float64
	for i, tau := range slices.Concat(fastTried[:], slowTried[:]) {
		move[i], mean[i] = factors(tau)
	}
	var in replay
	in.take(m.Week.at(first))
	var room, lamps [tried]float64
	for i := range tried {
		room[i], lamps[i] = in.room, in.lamps
	}
	t.lowest, t.highest = math.Inf(1), math.Inf(-1)
	lampsBefore := in.lamps
	for n := first; n < end; n++ {
		s := m.Week.at(n)
		in.take(s)
		t.lampsMove = t.lampsMove || in.lamps != lampsBefore
		usable := m.usable(n)
		if usable {
			t.lowest, t.highest = min(t.lowest, in.room), max(t.highest, in.room)
		}
		if usable = usable && n-first >= burnIn && n%2 == 0; usable {
			t.air = append(t.air, float64(s.air)/100-pivotTemp)
		}
		for i := range tried {
			if usable {
				t.room[i] = append(t.room[i], in.room+(room[i]-in.room)*mean[i])
				t.lamps[i] = append(t.lamps[i], in.lamps+(lamps[i]-in.lamps)*mean[i])
			}
			room[i] += move[i] * (in.room - room[i])
			lamps[i] += move[i] * (in.lamps - lamps[i])
		}
	}
	return t
}

// bestPair tries every pair of time constants and returns the best fit.
func (m *Thermal) bestPair(t *traces) params {
	prior := priors(m.Litres)
	best, least := prior, math.Inf(1)
	for f := range fastTried {
		for s := range slowTried {
			p := prior
			p.Fast, p.Slow = fastTried[f], slowTried[s]
			if loss, ok := t.fit(f, len(fastTried)+s, &p); ok && loss < least {
				best, least = p, loss
			}
		}
	}
	return best
}

// fit solves for the fast part, both lamp gains and the mean offset with
// filters f and s, and returns the loss. y = air − S(room) is explained by
// F(room) − S(room), F(lamps), S(lamps) and 1, which keeps the response to the
// room at 1 in all. A weak pull toward the priors settles what the data leave
// open, such as lamps that never switch.
func (t *traces) fit(f, s int, p *params) (loss float64, ok bool) {
	center := [4]float64{p.FastPart, p.LampFast, p.LampSlow, 0}
	pull := [4]float64{2, 0.5, 0.5, 0.01} // 2 weighs as two slots in which the regressor is 1
	if !t.lampsMove {
		// Lamps that never switched tell nothing: the offsets carry them.
		pull[1], pull[2] = 1e9, 1e9
	}
	var dot [5][5]float64 // the sums of products of the four regressors and y, upper triangle
	for k, air := range t.air {
		v := [5]float64{t.room[f][k] - t.room[s][k], t.lamps[f][k], t.lamps[s][k], 1, air - t.room[s][k]}
		for i := range v {
			for j := i; j < 5; j++ {
				dot[i][j] += v[i] * v[j]
			}
		}
	}
	loss = dot[4][4]
	var a [4][5]float64
	for i := range 4 {
		for j := range 5 {
			a[i][j] = dot[min(i, j)][max(i, j)]
		}
		a[i][i] += pull[i]
		a[i][4] += pull[i] * center[i]
		loss += pull[i] * center[i] * center[i]
	}
	x, ok := solve4(a)
	for i := range 4 { // at its least the loss is linear in the solution
		loss -= x[i] * a[i][4]
	}
	p.FastPart, p.LampFast, p.LampSlow = x[0], x[1], x[2]
	for h := range p.Offset {
		p.Offset[h] = x[3]
	}
	return loss, ok && finite(loss)
}

// solve4 solves four equations by elimination with pivoting.
func solve4(a [4][5]float64) (x [4]float64, ok bool) {
	for c := range 4 {
		pivot := c
		for r := c + 1; r < 4; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[pivot][c]) {
				pivot = r
			}
		}
		if math.Abs(a[pivot][c]) < 1e-9 {
			return x, false
		}
		a[c], a[pivot] = a[pivot], a[c]
		for r := c + 1; r < 4; r++ {
			q := a[r][c] / a[c][c]
			for k := c; k < 5; k++ {
				a[r][k] -= q * a[c][k]
			}
		}
	}
	for c := 3; c >= 0; c-- {
		x[c] = a[c][4]
		for k := c + 1; k < 4; k++ {
			x[c] -= a[c][k] * x[k]
		}
		x[c] /= a[c][c]
	}
	return x, true
}

// effectiveTau returns the hours after which 63 % of a step of the room has
// arrived, NaN where that never happens within two days.
func (p *params) effectiveTau() float64 {
	low, high := 0.0, 48.0
	left := func(t float64) float64 {
		return p.FastPart*math.Exp(-t/p.Fast) + (1-p.FastPart)*math.Exp(-t/p.Slow)
	}
	if left(high) > 1/math.E {
		return math.NaN()
	}
	for range 40 {
		mid := (low + high) / 2
		if left(mid) > 1/math.E {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}
