package climate

import "math"

// median returns the median of xs and reorders xs; 0 for none. It selects
// rather than sorts: it runs on every evaluation of a slope.
func median(xs []float64) float64 {
	n := len(xs)
	if n == 0 {
		return 0
	}
	upper := selectNth(xs, n/2)
	if n%2 == 1 {
		return upper
	}
	lower := xs[0]
	for _, x := range xs[1 : n/2] {
		lower = max(lower, x)
	}
	return (lower + upper) / 2
}

// selectNth moves the k-th smallest value to xs[k], smaller ones before it,
// and returns it.
func selectNth(xs []float64, k int) float64 {
	low, high := 0, len(xs)-1
	for low < high {
		pivot := xs[(low+high)/2]
		i, j := low, high
		for i <= j {
			for xs[i] < pivot {
				i++
			}
			for xs[j] > pivot {
				j--
			}
			if i <= j {
				xs[i], xs[j] = xs[j], xs[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return xs[k]
		}
	}
	return xs[k]
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
