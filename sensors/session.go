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
