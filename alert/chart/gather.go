package chart

import (
	"math"
	"time"
)

// A Gather thins values to a number of points that suits a width: each point
// holds the least, the mean and the greatest of one bucket of time.
type Gather struct {
	from    time.Time
	width   time.Duration
	gap     time.Duration
	buckets []bucket
}

type bucket struct {
	n         float64
	sum       float64
	min, max  float64
	at        float64 // sum of offsets, seconds
	first     time.Time
	last      time.Time
	brokenOff bool
}

// NewGather returns a Gather of n buckets over [from, to). Values further
// apart than gap leave the line open between them.
func NewGather(from, to time.Time, n int, gap time.Duration) *Gather {
	n = max(n, 1)
	return &Gather{from: from, width: max(to.Sub(from)/time.Duration(n), 1), gap: gap, buckets: make([]bucket, n)}
}

// Add takes one value.
func (g *Gather) Add(at time.Time, v float64) { g.AddSpread(at, at, v, v, v, 1) }

// AddSpread takes a sum of n values over [at, end): their least, mean and
// greatest. What is not finite or lies outside the time is left out. Values
// come in order of time.
func (g *Gather) AddSpread(at, end time.Time, low, mean, high float64, n int) {
	mid := at.Add(end.Sub(at) / 2)
	i := int(mid.Sub(g.from) / g.width)
	if mid.Before(g.from) || i >= len(g.buckets) || n < 1 || !finite(low) || !finite(mean) || !finite(high) {
		return
	}
	b := &g.buckets[i]
	w := float64(n)
	if b.n == 0 {
		b.min, b.max, b.first = low, high, at
	} else if at.Sub(b.last) > g.gap {
		b.brokenOff = true
	}
	b.min, b.max = min(b.min, low), max(b.max, high)
	b.n += w
	b.sum += w * mean
	b.at += w * mid.Sub(g.from).Seconds()
	b.last = end
}

// Points returns one point for each bucket that holds a value.
func (g *Gather) Points() []Point {
	var out []Point
	var last time.Time
	for i := range g.buckets {
		b := &g.buckets[i]
		if b.n == 0 {
			continue
		}
		at := g.from.Add(time.Duration(b.at / b.n * float64(time.Second)))
		out = append(out, Point{
			At: at, Min: b.min, Mean: min(max(b.sum/b.n, b.min), b.max), Max: b.max, // rounding aside
			Gap: len(out) == 0 || b.first.Sub(last) > g.gap || b.brokenOff,
		})
		last = b.last
	}
	return out
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
