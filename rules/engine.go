package rules

import (
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// An Engine is the decision core of one room. It is single-threaded: one
// goroutine owns it. It does no I/O and reads no clock.
type Engine struct {
	cfg *configs.Config
	out []Transition
}

// State is everything that an Engine remembers beside its alarm records. It is
// plain data for encoding/json.
type State struct {
	Version int             `json:"version"`
	Now     sensors.Instant `json:"now"`
}

// New returns an engine for a complete configuration.
func New(cfg *configs.Config) *Engine { return &Engine{cfg: cfg} }

// Step takes one reading. The transitions are valid until the next call; in
// the steady state nothing is allocated. A reading that is not newer than the
// last one of its probe, or of an unknown probe, changes nothing.
func (e *Engine) Step(r sensors.Reading) []Transition { return nil }

// Tick lets time pass: silence, delays, schedules and ends of shelves. Call it
// at least once a poll.
func (e *Engine) Tick(now sensors.Instant) []Transition { return nil }

// Act carries out a person's decision, or refuses it with one of the errors of
// this package wrapped and changes nothing.
func (e *Engine) Act(now sensors.Instant, a Action) ([]Transition, error) { return nil, nil }

// Set raises, updates or ends an alarm about dewline itself.
func (e *Engine) Set(now sensors.Instant, c Condition) []Transition { return nil }

// A Calibration is what the engine needs to know of a probe's corrections.
type Calibration struct {
	Probe       sensors.ProbeID
	Humidity    time.Time // last calibrated; zero for never
	Temperature time.Time
	// Uncertainty of humidity, ± %, at the calibration; zero for the family's.
	Uncertainty float64
}

// SetCalibration tells when a probe was last calibrated; without it the due
// date counts from when the probe was first seen.
func (e *Engine) SetCalibration(now sensors.Instant, c Calibration) []Transition { return nil }

// Record returns the persisted form of one alarm, false where it was never
// raised.
func (e *Engine) Record(k Key) (Record, bool) { return Record{}, false }

// Records returns every alarm that was ever raised, sorted by alarm and
// subject.
func (e *Engine) Records() []Record { return nil }

// State returns what has to be persisted beside the records. It shares memory
// with the engine: encode it before the next call.
func (e *Engine) State() *State { return &State{} }

// Restore goes on from persisted state and records, either of which may be
// missing or older than the other. Subjects that the configuration no longer
// has end with a transition to NORM.
func (e *Engine) Restore(s *State, records []Record, now sensors.Instant) []Transition { return nil }

// Reconfigure changes to another complete configuration and keeps the timers
// and states of everything that is still there.
func (e *Engine) Reconfigure(cfg *configs.Config, now sensors.Instant) []Transition { return nil }

// Enclosures returns a snapshot of every enclosure in file order.
func (e *Engine) Enclosures() []EnclosureView { return nil }

// Probes returns a snapshot of every probe in file order.
func (e *Engine) Probes() []ProbeView { return nil }

// Open returns every alarm that is not NORM, the most urgent first.
func (e *Engine) Open() []AlarmView { return nil }

// KPI returns the alarm system's self-measures.
func (e *Engine) KPI() KPI { return KPI{} }
