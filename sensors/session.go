package sensors

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"dewline/sensors/salt"
)

// Stage says where a calibration session stands.
type Stage string

// The stages of a session.
const (
	Settling Stage = "settling" // waiting for stability
	Captured Stage = "captured" // one point taken, the next one can be set up
	Done     Stage = "done"     // all points taken; Result can be asked for
)

// fewestSamples make a point.
const fewestSamples = 10

// Progress is what a session can tell the keeper after each reading.
type Progress struct {
	Stage   Stage
	Point   int    // index of the present point
	Points  int    // how many there are
	Source  string // what the present point compares with
	Waiting string // what is still missing, in plain words; empty when nothing
}

// A target is one point that a session has to take, and what counts as stable.
// Slope and temperature over salt are as in the procedures for saturated salts; the
// rest common practice, no source.
type target struct {
	source     string // a salt's name, "ice" or the other probe
	salt       salt.Salt
	window     time.Duration
	slopeLimit float64 // an hour, in the quantity's unit
	spread     float64 // °C
	near       float64 // how far from the reference a value can be meant; 0 for any
	tail       float64 // h: time constant of the approach that a slope may be part of
}

// A Session guides one calibration on live readings. It belongs to one
// goroutine.
type Session struct {
	probe    ProbeID
	against  ProbeID // empty unless two probes are compared
	quantity Quantity
	targets  []target
	points   []Point
	stage    Stage
	own      window
	other    window
	waiting  string // what is still missing
}

// NewSaltSession calibrates a probe's humidity over one or two saturated salts,
// named as in package salt, in the order in which they will be used.
func NewSaltSession(probe ProbeID, salts ...string) (*Session, error) {
	if len(salts) < 1 || len(salts) > 2 {
		return nil, fmt.Errorf("calibrate probe %s: give one or two salts, not %d", probe, len(salts))
	}
	s := &Session{probe: probe, quantity: Humidity, stage: Settling}
	for _, name := range salts {
		known, err := salt.ByName(name)
		if err != nil {
			return nil, fmt.Errorf("calibrate probe %s: %w", probe, err)
		}
		if len(s.targets) == 1 && s.targets[0].source == known.Name {
			return nil, fmt.Errorf("calibrate probe %s: two points need two different salts, not %s twice", probe, known.Name)
		}
		s.targets = append(s.targets, target{
			source: known.Name, salt: known, window: time.Hour, slopeLimit: 0.2, spread: 0.3,
			near: 20, tail: 3, // further off it is not in the jar
		})
	}
	return s, nil
}

// NewIceSession calibrates a sealed probe's temperature in melting ice.
func NewIceSession(probe ProbeID) *Session {
	return &Session{probe: probe, quantity: Temperature, stage: Settling, targets: []target{{
		source: "ice", window: 10 * time.Minute, slopeLimit: 0.5,
		spread: 0.15, near: 5, tail: 0.1, // two steps of a DS18B20
	}}}
}

// NewTwinSession calibrates a quantity of a probe against another probe beside
// it, whose corrected readings are certain to within the uncertainty that they
// state.
func NewTwinSession(probe, against ProbeID, q Quantity) *Session {
	t := target{source: string(against), window: 30 * time.Minute, slopeLimit: 0.3, spread: 0.3, tail: 0.5}
	if q == Humidity {
		t.slopeLimit = 1
	}
	return &Session{probe: probe, against: against, quantity: q, stage: Settling, targets: []target{t}}
}

// Quantity is what the session calibrates.
func (s *Session) Quantity() Quantity { return s.quantity }

// Observe takes a reading of the probe or of the one it is compared with.
// Others are ignored, and so are Bad ones, which leave a gap.
func (s *Session) Observe(r Reading) Progress {
	if s.stage != Settling || r.Quality == Bad {
		return s.now()
	}
	switch r.Probe {
	case s.probe:
		s.own.add(r, r.Raw.Temperature, r.Raw.Humidity, r.Raw.Has, s.quantity, s.target().window)
	case s.against:
		s.other.add(r, r.Temperature, r.Humidity, r.Has, s.quantity, s.target().window)
	default:
		return s.now()
	}
	s.judge()
	return s.now()
}

// Next starts the next point once the keeper has moved the probe.
func (s *Session) Next() Progress {
	if s.stage == Captured {
		s.stage = Settling
		s.own, s.other = window{}, window{}
		s.waiting = ""
	}
	return s.now()
}

// Result fits the points into a record that applies from the moment it is made. The
// error wraps ErrRefused where no sound probe can need such a correction.
func (s *Session) Result(id, by string, made time.Time) (Correction, error) {
	if s.stage != Done {
		return Correction{}, fmt.Errorf("calibrate probe %s: %d of %d points are taken", s.probe, len(s.points), len(s.targets))
	}
	c := Correction{
		ID: id, Probe: s.probe, Quantity: s.quantity, Made: made, From: made,
		Gain: 1, Method: s.method(), By: by, Points: append([]Point(nil), s.points...),
	}
	var err error
	if s.quantity == Humidity {
		c.Gain, c.Offset, c.Uncertainty, err = FitHumidity(s.points)
	} else {
		c.Offset, c.Uncertainty = s.points[0].Reference-s.points[0].Raw, s.points[0].Uncertainty
		err = checkTemperature(1, c.Offset)
	}
	if s.against != "" && s.other.uncertainty == 0 { // an offset against an unknown is none
		err = errors.Join(err, fmt.Errorf("%w: probe %s states no uncertainty to compare with", ErrRefused, s.against))
	}
	if err != nil {
		return Correction{}, fmt.Errorf("calibrate probe %s: %w", s.probe, err)
	}
	return c, c.Check()
}

func (s *Session) method() string {
	if s.against != "" {
		return "against " + string(s.against)
	}
	var names []string
	for _, t := range s.targets {
		names = append(names, t.source)
	}
	return strings.Join(names, " + ")
}

// now is how far the session has come.
func (s *Session) now() Progress {
	return Progress{s.stage, s.index(), len(s.targets), s.target().source, s.waiting}
}

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
