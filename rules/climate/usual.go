package climate

import (
	"math"
	"time"
)

const (
	courseBin  = 10 * time.Minute
	courseBins = 18  // of ten minutes
	courseDays = 8.0 // that a course is remembered for
	courseFew  = 2   // before it is known
	courseWild = 3.0 // standard deviations from both: something else is at work
)

// A courseScale says how a course's values stray, in their unit.
type courseScale struct {
	noise  float64 // before anything is known, as of two days
	beside float64 // by an unusual move of one unit of what is beside
	habit  float64 // of what a usual move of it may have been taken for the rest
	bare   float64 // by which a course that did not come may be off
	tail   float64 // of the wider spread that one day in thirty is given
}

// A usualCourse is how something usually goes on after an event, ten minutes by ten
// minutes, and what went on beside it.
type usualCourse struct {
	Days   [courseBins]float32 `json:"days"` // that are in the means
	Mean   [courseBins]float32 `json:"mean"`
	Var    [courseBins]float32 `json:"var"`
	Beside [courseBins]float32 `json:"beside"`
	Apart  [courseBins]float32 `json:"apart"` // variance of Beside
}

// learn takes one day's ten minutes.
func (c *usualCourse) learn(k int, value, beside float64) {
	n := min(float64(c.Days[k])+1, courseDays)
	d := value - float64(c.Mean[k])
	c.Days[k] = float32(n)
	c.Mean[k] += float32(d / n)
	c.Var[k] += float32((d*d*(1-1/n) - float64(c.Var[k])) / n)
	d = beside - float64(c.Beside[k])
	c.Beside[k] += float32(d / n)
	c.Apart[k] += float32((d*d*(1-1/n) - float64(c.Apart[k])) / n)
}

// known reports whether a value is known well enough to be missed.
func (c *usualCourse) known(k int) bool { return c.Days[k] >= courseFew }

// missing is the logarithm of how much likelier a value is if it stayed where it
// was than if it went its usual way; 0 where neither is likely or nothing is known.
func (c *usualCourse) missing(k int, value, beside float64, s courseScale) float64 {
	if !c.known(k) {
		return 0
	}
	usual, n, near := float64(c.Mean[k]), float64(c.Days[k]), float64(c.Beside[k])
	odd := s.beside * (beside - near)
	v := (2*s.noise*s.noise+n*float64(c.Var[k]))/(2+n) + odd*odd
	bare := v + s.habit*s.habit*near*near + s.bare*s.bare
	if value*usual < 0 && value*value > courseWild*courseWild*bare {
		return 0
	}
	return logNormal(value, bare) - logTailed(value-usual, v, s.tail)
}

// A Contrast weighs whether each of several moved by what is usual for it, or all by the
// same, whatever that is.
type Contrast struct{ n, x, y, xx, xy, yy float64 }

// Of what is left unexplained: what is taken for it before anything is seen, in °C, and
// how many it counts for.
const (
	contrastNoise = 0.2
	contrastPrior = 2.0
)

// Add takes by how much one usually moves, and by how much it did.
func (c *Contrast) Add(usual, moved float64) {
	c.n++
	c.x, c.y = c.x+usual, c.y+moved
	c.xx, c.xy, c.yy = c.xx+usual*usual, c.xy+usual*moved, c.yy+moved*moved
}

// Parted is c, to which some of it were added as not moving, with how these usually move.
func (c Contrast) Parted(some Contrast) Contrast {
	c.x, c.xx, c.xy = c.x+some.x, c.xx+some.xx, c.xy+some.xy
	return c
}

// Evidence is the logarithm of how much likelier the first is, by the squares that each
// leaves unexplained.
func (c *Contrast) Evidence() float64 {
	if c.n < 2 {
		return 0
	}
	xx, xy, yy := c.xx-c.x*c.x/c.n, c.xy-c.x*c.y/c.n, c.yy-c.y*c.y/c.n
	known := contrastPrior * contrastNoise * contrastNoise
	return (c.n - 1 + contrastPrior) / 2 * math.Log((yy+known)/(yy-2*xy+xx+known))
}

// logNormal is the logarithm of the normal density of a variance.
func logNormal(x, v float64) float64 { return -x*x/(2*v) - math.Log(2*math.Pi*v)/2 }

// logTailed is that of one that is wider one time in thirty.
func logTailed(x, v, tail float64) float64 {
	near, far := logNormal(x, v), logNormal(x, v+tail*tail)-math.Log(30)
	top := max(near, far)
	return top + math.Log(math.Exp(near-top)+math.Exp(far-top))
}

// pairMean is a mean of two values taken together.
type pairMean struct {
	Value  float64 `json:"value"`
	Beside float64 `json:"beside"`
	N      float64 `json:"n"` // of readings; 0 for none
}

func (m *pairMean) add(value, beside float64) {
	m.N++
	m.Value += (value - m.Value) / m.N
	m.Beside += (beside - m.Beside) / m.N
}

// hourLevel is how much of something there usually is at each hour of day, and how days
// differ in it, over courseDays.
type hourLevel struct {
	Mean [24]float32 `json:"mean"`
	Var  [24]float32 `json:"var,omitzero"`
	Days [24]uint8   `json:"days"`
	Hour int8        `json:"hour"` // that is being collected
	Open pairMean    `json:"open"`
}

// observe takes a value at a local hour of day; a negative one, of a clock that is not
// set, is left out.
func (l *hourLevel) observe(hour, value float64) {
	if !(hour >= 0 && hour < 24) {
		return
	}
	if h := int8(hour); h != l.Hour {
		if k := l.Hour; l.Open.N > 0 && k >= 0 && k < 24 {
			l.Days[k] = min(l.Days[k]+1, courseDays)
			n, d := float32(l.Days[k]), float32(l.Open.Value)-l.Mean[k]
			l.Mean[k] += d / n
			l.Var[k] += (d*d*(1-1/n) - l.Var[k]) / n
		}
		l.Hour, l.Open = h, pairMean{}
	}
	l.Open.add(value, 0)
}

// strays returns the standard deviation of an hour's value from day to day.
func (l *hourLevel) strays(hour float64) float64 {
	if !(hour >= 0 && hour < 24) {
		return 0
	}
	return math.Sqrt(max(0, float64(l.Var[int(hour)]))) // a state from elsewhere may say anything
}

// at returns the usual value of an hour, if that was seen often enough.
func (l *hourLevel) at(hour float64) (float64, bool) {
	if !(hour >= 0 && hour < 24) {
		return 0, false
	}
	return float64(l.Mean[int(hour)]), l.Days[int(hour)] > courseFew // the first is of a tank that settles
}
