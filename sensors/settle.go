package sensors

import (
	"fmt"
	"math"
	"time"
)

// Terms of a point's uncertainty, about 95 %. The ice point is what a careful
// keeper reaches at home; the others are assumptions.
const (
	iceUncertainty  = 0.15 // °C
	twinPlacement   = 0.1  // °C between two probes in one closed box
	twinPlacementRH = 1.0  // %RH
	jarGradient     = 0.15 // °C between salt and probe in a closed jar
	gradientPerRH   = 0.06 // part of the humidity for 1 °C, from the slope of ln(saturation pressure)
)

// A window holds the last stretch of one probe's values.
type window struct {
	at          []time.Duration
	value       []float64 // the quantity under calibration
	celsius     []float64
	uncertainty float64 // the largest that was stated
	wall        time.Time
}

// add appends a reading and drops what is older than length. A gap of more
// than a quarter of it starts the window anew.
func (w *window) add(r Reading, t CentiCelsius, h CentiPercent, has Quantities, q Quantity, length time.Duration) {
	value, stated := t.Celsius(), r.Uncertainty.Temperature.Celsius()
	if q == Humidity {
		value, stated = h.Percent(), r.Uncertainty.HumidityBelow.Percent()
	}
	need := HasTemperature
	if q == Humidity {
		need |= HasHumidity
	}
	if has&need != need {
		return
	}
	if n := len(w.at); n > 0 && (r.At.Mono <= w.at[n-1] || r.At.Mono-w.at[n-1] > length/4) {
		*w = window{}
	}
	w.at = append(w.at, r.At.Mono)
	w.value = append(w.value, value)
	w.celsius = append(w.celsius, t.Celsius())
	w.uncertainty = max(w.uncertainty, stated)
	w.wall = r.At.Wall
	old := 0
	for w.at[len(w.at)-1]-w.at[old] > length {
		old++
	}
	w.at, w.value, w.celsius = w.at[old:], w.value[old:], w.celsius[old:]
}

func (w *window) length() time.Duration {
	if len(w.at) == 0 {
		return 0
	}
	return w.at[len(w.at)-1] - w.at[0]
}

// line fits a straight line by least squares and returns the mean, the slope
// per hour and the standard error of the slope.
func (w *window) line() (mean, slope, slopeError float64) {
	n := float64(len(w.at))
	if n == 0 {
		return 0, 0, 0
	}
	var tMean float64
	for i := range w.at {
		tMean += (w.at[i] - w.at[0]).Hours()
		mean += w.value[i]
	}
	tMean, mean = tMean/n, mean/n
	var stt, stv, svv float64
	for i := range w.at {
		t, v := (w.at[i]-w.at[0]).Hours()-tMean, w.value[i]-mean
		stt, stv, svv = stt+t*t, stv+t*v, svv+v*v
	}
	if stt == 0 || n < 3 {
		return mean, 0, 0
	}
	slope = stv / stt
	return mean, slope, math.Sqrt(max(svv-slope*stv, 0) / (n - 2) / stt)
}

// spread returns the mean and the range of the temperatures.
func (w *window) spread() (mean, spread float64) {
	if len(w.celsius) == 0 {
		return 0, 0
	}
	low, high := w.celsius[0], w.celsius[0]
	for _, c := range w.celsius {
		mean += c
		low, high = min(low, c), max(high, c)
	}
	return mean / float64(len(w.celsius)), high - low
}

// judge looks at the window, and captures the point once nothing is missing.
func (s *Session) judge() {
	t := s.target()
	raw, slope, slopeError := s.own.line()
	celsius, spread := s.own.spread()
	ref, refUncertainty, err := s.reference(t, celsius)
	if s.waiting = s.missing(t, raw, slope, spread, ref); err != nil {
		s.waiting = err.Error()
	}
	if s.waiting != "" {
		return
	}
	s.points = append(s.points, Point{
		At: s.own.wall, Raw: raw, Reference: ref, Temperature: celsius, Source: t.source,
		Uncertainty: math.Hypot(refUncertainty, t.tail*(math.Abs(slope)+2*slopeError)),
	})
	s.stage = Captured
	if len(s.points) == len(s.targets) {
		s.stage = Done
	}
}

// reference returns what the probe should read and how certain that is.
func (s *Session) reference(t *target, celsius float64) (value, uncertainty float64, err error) {
	switch {
	case s.against != "":
		mean, _, _ := s.other.line()
		placement := twinPlacement
		if s.quantity == Humidity {
			placement = twinPlacementRH
		}
		return mean, math.Hypot(s.other.uncertainty, placement), nil
	case s.quantity == Temperature:
		return 0, iceUncertainty, nil
	}
	value, uncertainty, err = t.salt.Humidity(celsius)
	return value, math.Hypot(uncertainty, value*gradientPerRH*jarGradient), err
}

// missing names the first thing that is still missing.
func (s *Session) missing(t *target, raw, slope, spread, ref float64) string {
	unit := "°C"
	if s.quantity == Humidity {
		unit = "%RH"
	}
	// The window is full when the next reading would not fit any more.
	full := t.window - t.window/20
	switch {
	case s.against != "" && len(s.other.at) == 0:
		return fmt.Sprintf("no reading of probe %s yet", s.against)
	case s.own.length() < full || len(s.own.at) < fewestSamples,
		s.against != "" && (s.other.length() < full || len(s.other.at) < fewestSamples):
		return fmt.Sprintf("collecting: %d of %d min", int(s.own.length().Minutes()), int(t.window.Minutes()))
	case math.Abs(slope) >= t.slopeLimit:
		return fmt.Sprintf("still moving by %+.2f %s an hour; must be below %.1f", slope, unit, t.slopeLimit)
	case spread > t.spread:
		return fmt.Sprintf("the temperature moved by %.2f °C; must stay within %.2f °C", spread, t.spread)
	case t.near > 0 && math.Abs(raw-ref) > t.near:
		return fmt.Sprintf("stands at %.1f %s where %.1f is expected: is the probe in place?", raw, unit, ref)
	case s.unmoved(raw, ref):
		return fmt.Sprintf("still reads as over %s: move the probe to %s", s.points[0].Source, t.source)
	}
	return ""
}

// unmoved reports whether the second point still looks like the first.
func (s *Session) unmoved(raw, ref float64) bool {
	if len(s.points) == 0 {
		return false
	}
	first := s.points[0]
	return math.Abs(raw-first.Raw) < math.Abs(ref-first.Reference)/3
}

// target returns the present one, after the last point the last one.
func (s *Session) target() *target {
	return &s.targets[min(s.index(), len(s.targets)-1)]
}

// index is the present point's number. A point just captured stays the present
// one until Next.
func (s *Session) index() int {
	if s.stage == Settling {
		return len(s.points)
	}
	return len(s.points) - 1
}
