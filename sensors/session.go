package sensors

import "time"

// A Stage says where a calibration session stands.
type Stage string

// The stages of a session.
const (
	Settling Stage = "settling" // waiting for stability
	Captured Stage = "captured" // one point taken, the next one can be set up
	Done     Stage = "done"     // all points taken; Result can be asked for
)

// Progress is what a session can tell the keeper after each reading.
type Progress struct {
	Stage       Stage
	Point       int           // index of the present point
	Points      int           // how many there are
	Collected   time.Duration // of the window
	Window      time.Duration
	Slope       float64 // %RH or °C per hour over the window
	SlopeLimit  float64
	Spread      float64 // °C between the highest and lowest temperature in the window
	SpreadLimit float64
	Raw         float64 // mean over the window
	Waiting     string  // what is still missing, in plain words; empty when nothing
}

// A Session guides one calibration on live readings. It belongs to one
// goroutine.
type Session struct{}

// NewSaltSession calibrates a probe's humidity over one or two saturated salts,
// named as in package salt, in the order in which they will be used.
func NewSaltSession(probe ProbeID, salts ...string) (*Session, error) { return &Session{}, nil }

// NewIceSession calibrates a sealed probe's temperature in melting ice.
func NewIceSession(probe ProbeID) *Session { return &Session{} }

// NewTwinSession calibrates a quantity of a probe against another probe beside
// it, whose corrected readings are certain to within the uncertainty that they
// state.
func NewTwinSession(probe, against ProbeID, q Quantity) *Session { return &Session{} }

// Observe takes a reading of the probe or of the one it is compared with;
// others are ignored, and so are Bad ones.
func (s *Session) Observe(r Reading) Progress { return Progress{} }

// Next starts the next point once the keeper has moved the probe.
func (s *Session) Next() Progress { return Progress{} }

// Result fits the points. The error wraps ErrRefused where no sound probe can
// need such a correction, and says what to do.
func (s *Session) Result(id, by string, made time.Time) (Correction, error) {
	return Correction{}, nil
}

// FitHumidity fits an offset through one point or gain and offset through two.
func FitHumidity(points []Point) (gain, offset, uncertainty float64, err error) { return }

// FitTemperature fits an offset through one point.
func FitTemperature(p Point) (offset, uncertainty float64, err error) { return }
