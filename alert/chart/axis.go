package chart

import (
	"math"
	"strconv"
)

// A valueAxis maps values of a panel onto pixels.
type valueAxis struct {
	*Panel
	low, high   float64 // as shown, at the foot and the head
	foot, head  float64 // pixels
	step        float64
	first, last int // ticks are multiples of step
}

// axisOf finds a range that holds everything the panel shows, and ticks at
// least apart pixels from each other.
func (p *Panel) axisOf(foot, head, apart float64) valueAxis {
	low, high := p.extent()
	air := (high - low) * 0.05 // so that no line lies on the frame
	low, high = low-air, high+air
	if short := p.Least - (high - low); short > 0 {
		low, high = low-short/2, high+short/2
	}
	if p.Ends != [2]float64{} {
		low, high = max(low, p.Ends[0]), min(high, p.Ends[1])
	}
	a := valueAxis{Panel: p, foot: foot, head: head, low: low, high: high}
	if !(a.high > a.low) {
		a.high = a.low + max(1, math.Abs(a.low)/1000)
	}
	most := max(math.Floor((foot-head)/apart), 1)
	a.step = niceStep((a.high - a.low) / most)
	a.first, a.last = int(math.Ceil(a.low/a.step-1e-9)), int(math.Floor(a.high/a.step+1e-9))
	return a
}

// absurd is beyond anything that a panel may show; one such value would
// flatten all others.
const absurd = 1e6

// extent returns the least and greatest of everything on the panel, as shown.
func (p *Panel) extent() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if v = p.shown(v); math.Abs(v) <= absurd {
			low, high = min(low, v), max(high, v)
		}
	}
	for _, s := range p.Series {
		for _, q := range s.Points {
			take(q.Min)
			take(q.Max)
		}
	}
	for _, b := range p.Bands {
		take(b.Low)
		take(b.High)
	}
	for _, l := range p.Limits {
		take(l.Value)
	}
	if low > high {
		return 0, 1
	}
	return low, high
}

// niceStep rounds up to 1, 2 or 5 times a power of ten.
func niceStep(rough float64) float64 {
	if !(rough > 0) || math.IsInf(rough, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(rough)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= rough*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// y returns the pixel of a value, held inside the plot.
func (a valueAxis) y(v float64) float64 { return a.at(a.shown(v)) }

// at returns the pixel of a value as shown.
func (a valueAxis) at(v float64) float64 {
	v = min(max(v, a.low), a.high)
	return a.foot - (v-a.low)/(a.high-a.low)*(a.foot-a.head)
}

// text writes a tick with as many decimals as the step needs.
func (a valueAxis) text(tick int) string {
	decimals := max(0, int(math.Ceil(-math.Log10(a.step)-1e-9)))
	return strconv.FormatFloat(float64(tick)*a.step, 'f', decimals, 64)
}
