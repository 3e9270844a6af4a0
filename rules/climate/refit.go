package climate

import "math"

// A Refusal says why a fit was not taken.
type Refusal string

// Why Refit kept what it had.
const (
	Accepted      Refusal = ""                // the new fit is in use
	TooLittleData Refusal = "too little data" // less than two days without exclusions
	RoomTooCalm   Refusal = "room too calm"   // the room moved less than 1 °C
	PoorFit       Refusal = "poor fit"        // R² below 0.8
	TauOutside    Refusal = "time constant outside 0.3–10 h"
	NotBetter     Refusal = "not better than the fit in use"
)

// The time constants tried, in hours: wider than what is accepted, so that an
// enclosure outside of it is recognised instead of squeezed in.
var (
	fastTried = [...]float64{0.1, 0.2, 0.35, 0.6, 1, 1.6}
	slowTried = [...]float64{2, 3.2, 5, 7.5, 12, 20}
)

const (
	tried     = len(fastTried) + len(slowTried)
	signals   = 2*tried + 2 // room and lamps through each, 1, temperature
	oneSignal = signals - 2
	airSignal = signals - 1

	burnIn    = 12 * slotsHour // until the filters forget how they began
	leastPart = 0.6            // of a day's slots must be usable
	leastR2   = 0.8
	leastMove = 1.0 // °C of the room
	leastTau  = 0.3 // h
	mostTau   = 10  // h
	pivotTemp = 22  // °C, taken off before squaring: keeps the sums well conditioned
)

// gram collects the products of all signals, of which every pair of time
// constants is a least-squares problem of four unknowns.
type gram struct {
	sum      [signals][signals]float64 // upper triangle
	n        int
	minRoom  float64
	maxRoom  float64
	lampMove bool
}

func (g *gram) add(v *[signals]float64) {
	for i := range v {
		x := v[i]
		row := &g.sum[i]
		for j := i; j < signals; j++ {
			row[j] += x * v[j]
		}
	}
	g.n++
}

func (g *gram) at(i, j int) float64 {
	if i > j {
		i, j = j, i
	}
	return g.sum[i][j]
}

// Refit learns from the readings so far, at most a week back. The new fit is
// kept only if it predicts the last day, which it was not fitted to, better
// than the one in use. Call it once a night; it takes well under a
// millisecond.
func (m *Thermal) Refit() Refusal {
	m.learnRoom()
	first, split := m.Slot-slotCount+1, m.Slot-slotsDay
	for first < split && !m.usable(first) {
		first++
	}
	var g gram
	m.collectGram(&g, first, split)
	held := 0
	for n := split; n < m.Slot; n++ {
		if m.usable(n) {
			held++
		}
	}
	if float64(g.n) < leastPart*slotsDay/2 || float64(held) < leastPart*slotsDay {
		return TooLittleData
	}
	if g.maxRoom-g.minRoom < leastMove {
		return RoomTooCalm
	}
	p := m.bestPair(&g)
	tau := p.effectiveTau()
	if !(tau >= leastTau && tau <= mostTau) || p.FastPart < 0 || p.FastPart > 1.05 {
		return TauOutside
	}
	p.R2 = m.learnOffsets(&p, first, split)
	if !(p.R2 >= leastR2) {
		return PoorFit
	}
	var old float64
	p.Residual, p.Drift = m.score(&p, first, split)
	old, _ = m.score(&m.Params, first, split)
	if !(p.Residual < old) {
		return NotBetter
	}
	p.Learned = true
	m.adopt(p, first)
	return Accepted
}

// learnRoom notes where the room usually is: inside of that something holds it.
func (m *Thermal) learnRoom() {
	var xs [slotCount]float64
	n := 0
	for i := range m.Week {
		if r := m.Week[i].room; r != noTemp {
			xs[n] = float64(r) / 100
			n++
		}
	}
	if m.HasUsual = n >= slotsDay; m.HasUsual {
		m.Usual = Span{Low: selectNth(xs[:n], n/20), Mid: selectNth(xs[:n], n/2), High: selectNth(xs[:n], n-1-n/20)}
	}
}

// A replay steps filters through the slots; gaps hold the last input.
type replay struct {
	room, lamps float64
}

// collectGram runs every filter tried over the slots from first up to end and
// adds every second usable slot: neighbours tell the same story, and it halves
// the work.
func (m *Thermal) collectGram(g *gram, first, end int64) {
	var move, mean, room, lamp [tried]float64
	for i := range tried {
		move[i], mean[i] = factors(triedTau(i))
	}
	var in replay
	in.take(m.Week.at(first))
	for i := range tried {
		room[i], lamp[i] = in.room, in.lamps
	}
	g.minRoom, g.maxRoom = math.Inf(1), math.Inf(-1)
	firstLamp := in.lamps
	var v [signals]float64
	v[oneSignal] = 1
	for n := first; n < end; n++ {
		s := m.Week.at(n)
		in.take(s)
		g.lampMove = g.lampMove || in.lamps != firstLamp
		for i := range tried {
			v[i] = in.room + (room[i]-in.room)*mean[i]
			v[tried+i] = in.lamps + (lamp[i]-in.lamps)*mean[i]
			room[i] += move[i] * (in.room - room[i])
			lamp[i] += move[i] * (in.lamps - lamp[i])
		}
		if !m.usable(n) {
			continue
		}
		g.minRoom, g.maxRoom = min(g.minRoom, in.room), max(g.maxRoom, in.room)
		if n-first >= burnIn && n%2 == 0 {
			v[airSignal] = float64(s.air)/100 - pivotTemp
			g.add(&v)
		}
	}
}

func triedTau(i int) float64 {
	if i < len(fastTried) {
		return fastTried[i]
	}
	return slowTried[i-len(fastTried)]
}

// bestPair tries every pair of time constants and returns the best fit.
func (m *Thermal) bestPair(g *gram) params {
	prior := priors(m.Litres)
	best, least := prior, math.Inf(1)
	for f := range fastTried {
		for s := range slowTried {
			p := prior
			p.Fast, p.Slow = fastTried[f], slowTried[s]
			if loss, ok := g.fit(f, len(fastTried)+s, &p); ok && loss < least {
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
func (g *gram) fit(f, s int, p *params) (loss float64, ok bool) {
	// Each regressor as a sum of signals: plus one, minus another.
	plus := [5]int{f, tried + f, tried + s, oneSignal, airSignal}
	minus := [5]int{s, -1, -1, -1, s}
	var dot [5][5]float64
	for i := range 5 {
		for j := i; j < 5; j++ {
			d := g.at(plus[i], plus[j])
			if minus[j] >= 0 {
				d -= g.at(plus[i], minus[j])
			}
			if minus[i] >= 0 {
				d -= g.at(minus[i], plus[j])
				if minus[j] >= 0 {
					d += g.at(minus[i], minus[j])
				}
			}
			dot[i][j], dot[j][i] = d, d
		}
	}
	center := [4]float64{p.FastPart, p.LampFast, p.LampSlow, 0}
	pull := [4]float64{2, 0.5, 0.5, 0.01} // 2 weighs as two slots in which the regressor is 1
	if !g.lampMove {
		// Lamps that never switched tell nothing: the offsets carry them.
		pull[1], pull[2] = 1e9, 1e9
	}
	var a [4][5]float64
	for i := range 4 {
		copy(a[i][:4], dot[i][:4])
		a[i][i] += pull[i]
		a[i][4] = dot[i][4] + pull[i]*center[i]
	}
	x, ok := solve4(a)
	if !ok {
		return 0, false
	}
	loss = dot[4][4]
	for i := range 4 {
		loss -= 2 * x[i] * dot[i][4]
		for j := range 4 {
			loss += x[i] * x[j] * dot[i][j]
		}
		loss += pull[i] * (x[i] - center[i]) * (x[i] - center[i])
	}
	p.FastPart, p.LampFast, p.LampSlow = x[0], x[1], x[2]
	for h := range p.Offset {
		p.Offset[h] = x[3]
	}
	return loss, finite(loss)
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
