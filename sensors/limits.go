package sensors

import (
	"math"
	"time"
)

// Limits are what one kind of probe can measure and how well, from its data
// sheet. "From memory" marks figures that were not read again.
type Limits struct {
	Coldest, Hottest CentiCelsius
	// Wettest bounds the raw humidity. A formula that reaches past 100 % is not at
	// fault: clipping comes later.
	Wettest CentiPercent
	// Zeros is what a frame of zeros decodes to; one without quantities is not
	// looked for.
	Zeros   Sample
	PowerOn CentiCelsius // the register's value before the first conversion; 0 for none
	// Coarse is how many times longer than others the value may stand still,
	// because its steps are larger than the noise; zero for always.
	Coarse    int
	Brightest uint32 // lx; 0 for a probe without light
	Accuracy  Accuracy
}

// driest is the least raw humidity that air can have: what lies under it is an element
// that is broken or not connected. Air saturated over ice at -40 °C still has 0.55 % at
// 20 °C (0.128 of 23.4 hPa, Buck 1981).
const driest CentiPercent = 50

// Accuracy is about 95 %, which is how the maker of the SHT families defines
// its typical figures (from memory).
type Accuracy struct {
	Celsius      float64 // °C
	CelsiusYear  float64 // drift, °C a year
	Percent      float64 // %RH up to wetFrom; 0 for a probe without humidity
	PercentAt100 float64 // %RH, reached in a straight line from wetFrom
	PercentYear  float64 // drift, %RH a year
	Hysteresis   float64 // %RH
}

// Zeros is the zero frame of a chip whose formulas start at these values.
func Zeros(c CentiCelsius, p CentiPercent) Sample {
	return Sample{Has: HasTemperature | HasHumidity, Temperature: c, Humidity: p}
}

// WidestLimits are those of a probe of which nobody says what it is: the widest
// of all families.
func WidestLimits() Limits {
	return Limits{
		Coldest: -5500, Hottest: 12500, Wettest: 11900,
		Zeros: Zeros(0, 0), Coarse: 2, Brightest: 130_000,
		Accuracy: Accuracy{1.0, 0.1, 3.0, 5.0, 0.5, 1.0},
	}
}

// allZero reports whether s is what a frame of zeros decodes to.
func (l *Limits) allZero(s *Sample) bool {
	return l.Zeros.Has != 0 && s.Has&l.Zeros.Has == l.Zeros.Has &&
		s.Temperature == l.Zeros.Temperature && s.Humidity == l.Zeros.Humidity
}

// What the data sheets say of long wet spells: +3 %RH after 60 h above 80 %RH,
// recovering slowly by itself (SHT3x-DIS v7, SHT4x v6). How slowly they leave
// open; recovering at half the speed is an assumption.
const (
	soakedAbove  CentiPercent = 8000
	soakedFully               = 60 * time.Hour
	soakedCreep               = 3.0 // %RH, upwards
	recoverRatio              = 2
)

// Assumptions that no data sheet covers.
const (
	wetFrom        = 80.0 // %RH, from where on accuracy widens towards 100 %
	uncalibratedAt = 1.0  // years of drift taken for a probe never calibrated
	onePointGain   = 0.05 // a gain that one point could not see
	year           = 365.25 * 24 * float64(time.Hour)
)

// Ageing is what a probe went through that makes its humidity less certain. It
// is plain data to be kept across a restart.
type Ageing struct {
	// Soaked is the time above 80 %RH, less the time of recovery below, up to
	// the 60 h after which the data sheets see no further creep.
	Soaked time.Duration `json:"soaked"`
	// Last is the running time of the last observation.
	Last time.Duration `json:"last"`
	// Begun says whether there was one.
	Begun bool `json:"begun"`
}

// Observe adds a raw humidity at a running time. The time since the last
// observation counts as spent at the present humidity.
func (a *Ageing) Observe(mono time.Duration, rh CentiPercent) {
	gap := max(mono-a.Last, 0)
	if !a.Begun {
		gap = 0
	}
	a.Last, a.Begun = max(mono, a.Last), true
	if rh > soakedAbove {
		a.Soaked = min(a.Soaked+min(gap, soakedFully), soakedFully)
		return
	}
	a.Soaked = max(a.Soaked-gap/recoverRatio, 0)
}

// after returns a as it is with an earlier stretch before it.
func (a Ageing) after(past Ageing) Ageing {
	a.Soaked = min(a.Soaked+past.Soaked, soakedFully)
	return a
}

// creep returns by how much, in %RH, the probe may read too high.
func (a Ageing) creep() float64 {
	return soakedCreep * float64(a.Soaked) / float64(soakedFully)
}

// Stated is the uncertainty of one reading, about 95 %.
type Stated struct {
	Temperature   CentiCelsius `json:"temperature"`    // either side
	HumidityBelow CentiPercent `json:"humidity_below"` // the true humidity may lie so far below
	HumidityAbove CentiPercent `json:"humidity_above"` // and so far above
}

// state says how far corrected values can be trusted at a wall time. It combines
// the independent terms as root of squares. Creep goes one way only and is added
// in full: a soaked probe reads too high, so the true value lies below.
func (a *Accuracy) state(h CentiPercent, applied Applied, age Ageing, at time.Time) Stated {
	t := rootSum(a.baseCelsius(applied.Temperature), a.CelsiusYear*yearsSince(applied.Temperature, at), 0)
	if a.Percent == 0 {
		return Stated{Temperature: CelsiusOf(t)}
	}
	p := rootSum(a.basePercent(applied.Humidity, h.Percent()), a.PercentYear*yearsSince(applied.Humidity, at), a.Hysteresis)
	return Stated{
		Temperature:   CelsiusOf(t),
		HumidityBelow: PercentOf(p + age.creep()),
		HumidityAbove: PercentOf(p),
	}
}

// rootSum is math.Hypot for three small numbers, without its care for
// overflow, which costs more than all of the judging.
func rootSum(a, b, c float64) float64 { return math.Sqrt(a*a + b*b + c*c) }

func (a *Accuracy) baseCelsius(c *Correction) float64 {
	if c != nil {
		return c.Uncertainty
	}
	return a.Celsius
}

// basePercent is the data sheet's accuracy without a calibration. With one it
// is the calibration's own, wider the further h is from its points.
func (a *Accuracy) basePercent(c *Correction, h float64) float64 {
	if c != nil {
		return rootSum(c.Uncertainty, c.slack(h), 0)
	}
	if h <= wetFrom {
		return a.Percent
	}
	return a.Percent + (a.PercentAt100-a.Percent)*(h-wetFrom)/(100-wetFrom)
}

// slack returns what is not known at h because h lies outside the points.
func (c *Correction) slack(h float64) float64 {
	if len(c.Points) == 0 {
		return 0
	}
	low, high := c.Points[0].Reference, c.Points[0].Reference
	for i := range c.Points {
		low, high = min(low, c.Points[i].Reference), max(high, c.Points[i].Reference)
	}
	away := max(low-h, h-high, 0)
	if high-low < leastSpan {
		return onePointGain * away
	}
	return 2 * c.Uncertainty * away / (high - low)
}

// yearsSince returns the age of a calibration in years.
func yearsSince(c *Correction, at time.Time) float64 {
	if c == nil {
		return uncalibratedAt
	}
	return max(float64(at.Sub(c.From))/year, 0)
}
