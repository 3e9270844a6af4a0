package sensors

import (
	"fmt"
	"math"
)

// leastSpan is how far apart two humidity points must be, in %RH, to say
// anything of the gain. Sodium and potassium chloride are 9 apart.
const leastSpan = 5.0

// FitHumidity fits an offset through one point or gain and offset through two,
// so that gain × raw + offset is the reference. The error wraps ErrRefused
// where no sound probe can need such a correction.
func FitHumidity(points []Point) (gain, offset, uncertainty float64, err error) {
	switch len(points) {
	case 1:
		p := points[0]
		gain, offset, uncertainty = 1, p.Reference-p.Raw, p.Uncertainty
	case 2:
		a, b := points[0], points[1]
		if !(math.Abs(b.Reference-a.Reference) >= leastSpan) {
			return 0, 0, 0, fmt.Errorf("points at %.1f and %.1f %%RH are too close for a gain: use salts at least %.0f %%RH apart",
				a.Reference, b.Reference, leastSpan)
		}
		if a.Raw == b.Raw {
			return 0, 0, 0, fmt.Errorf("%w: the probe reads %.1f %%RH over both salts: it does not follow the humidity",
				ErrRefused, a.Raw)
		}
		gain = (b.Reference - a.Reference) / (b.Raw - a.Raw)
		offset = a.Reference - gain*a.Raw
		uncertainty = max(a.Uncertainty, b.Uncertainty)
	default:
		return 0, 0, 0, fmt.Errorf("a humidity is fitted through one or two points, not %d", len(points))
	}
	return gain, offset, uncertainty, checkHumidity(gain, offset)
}
