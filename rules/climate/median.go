package climate

import (
	"math"
	"slices"
)

// median returns the median of xs and sorts them; 0 for none.
func median(xs []float64) float64 {
	slices.Sort(xs)
	return middleOf(xs)
}

// middleOf is median of what is sorted.
func middleOf(xs []float64) float64 {
	n := len(xs)
	if n == 0 {
		return 0
	}
	return (xs[(n-1)/2] + xs[n/2]) / 2
}

// madScale turns a median absolute deviation into a standard deviation for
// normal errors.
const madScale = 1.4826

// spread returns the robust standard deviation of xs about center and
// overwrites xs.
func spread(xs []float64, center float64) float64 {
	for i, x := range xs {
		xs[i] = math.Abs(x - center)
	}
	return madScale * median(xs)
}

// finite reports whether x can be computed with.
func finite(x float64) bool { return x-x == 0 }
