package climate

import "time"

// A MistEvent is what a reading told about misting.
type MistEvent uint8

// The events of a mist pulse.
const (
	NoMist      MistEvent = iota
	MistStarted           // a pulse was recognised; Current has it
	MistPeaked            // it stopped rising
	MistEnded             // it decayed, or the next began; Last has it whole
)

// A Pulse is one mist pulse.
type Pulse struct {
	Start    time.Duration `json:"start"`     // running time at which the rise began
	PeakAt   time.Duration `json:"peak_at"`   // running time of the peak
	Before   float64       `json:"before"`    // % before the rise
	Peak     float64       `json:"peak"`      // %
	Rise     float64       `json:"rise"`      // g/m³ of water vapour
	Wet      time.Duration `json:"wet"`       // time at or above 90 %
	HalfLife time.Duration `json:"half_life"` // of the decay to Base; 0 where it could not be fitted
	Base     float64       `json:"base"`      // % that it dried down to
	Clipped  bool          `json:"clipped"`   // began so wet that Rise says little
}

// MistDetector finds mist pulses in the humidity alone, without a schedule.
// The zero value is ready.
type MistDetector struct{}

// Observe takes one good reading.
func (d *MistDetector) Observe(at time.Duration, celsius, rh float64) MistEvent { return NoMist }

// Current returns the pulse that is under way, if any.
func (d *MistDetector) Current() (Pulse, bool) { return Pulse{}, false }

// Last returns the last finished pulse.
func (d *MistDetector) Last() (Pulse, bool) { return Pulse{}, false }

// Since returns how long ago the last pulse began, false before the first.
func (d *MistDetector) Since(at time.Duration) (time.Duration, bool) { return 0, false }

// Soaked returns for how long humidity has stayed at 95 % or more without
// decaying; zero when it is lower or has begun to dry.
func (d *MistDetector) Soaked() time.Duration { return 0 }

// A MistVerdict is how a scheduled mist turned out in one enclosure.
type MistVerdict uint8

// The verdicts.
const (
	MistPending MistVerdict = iota // not due, or too early to say
	MistSeen
	MistMissed
	MistWeak    // less than half of its own median rise
	MistUnclear // no data, or too wet before to tell
)

// MistWatch compares pulses of one enclosure with its schedule.
type MistWatch struct{}

// Expect notes that a mist is due at this running time.
func (w *MistWatch) Expect(at time.Duration) {}

// Verdict returns how the expected mist turned out and when it was due:
// MistPending until that is known, at the latest 10 minutes after it was due,
// then the verdict once. d is the detector of the same enclosure.
func (w *MistWatch) Verdict(now time.Duration, d *MistDetector) (MistVerdict, time.Duration) {
	return MistPending, 0
}

// Endless reports whether a mist has run for longer than longest and than
// twice what this enclosure usually stays soaked.
func (w *MistWatch) Endless(d *MistDetector, longest time.Duration) bool { return false }

// A MistFault is what the verdicts of all enclosures on one supply add up to.
type MistFault uint8

// The faults of misting.
const (
	MistOK        MistFault = iota
	SupplyFault             // most of them missed: pump, reservoir, timer
	NozzleFault             // single ones missed or were weak
	MistUndecided           // too few could be judged
)

// JudgeMist decides between supply and nozzle from the verdicts of the
// enclosures on one supply for the same scheduled time.
func JudgeMist(verdicts []MistVerdict) MistFault { return MistUndecided }
