// Package alarm holds the lifecycle of one alarm as plain data that can be
// persisted: the states of ANSI/ISA-18.2 and IEC 62682, on-delay, off-delay,
// deadband, latching, re-alarm, shelving and out of service.
//
// It knows no species, no probes and no people, does no I/O, reads no clock
// and starts no goroutine: time comes in with every step.
package alarm

import (
	"fmt"
	"time"

	"dewline/sensors"
)

// Input is one look at the process, classified against a limit.
type Input uint8

// The inputs. Missing is the zero value, so that what nobody measured is never
// taken for a return to normal.
const (
	Missing Input = iota // no trustworthy value: neither clears, advances nor resets
	Back                 // past the deadband on the normal side
	Between              // on the normal side of the limit but within the deadband
	Beyond               // at the limit or past it
)

// High classifies v against an upper limit that is reached at the value
// itself. Value, limit and deadband share a unit.
func High(v, limit, deadband int32) Input {
	switch {
	case v >= limit:
		return Beyond
	case v <= limit-deadband:
		return Back
	default:
		return Between
	}
}

// Low classifies v against a lower limit that is reached at the value itself.
func Low(v, limit, deadband int32) Input { return High(-v, -limit, deadband) }

// Spec is what is fixed about one alarm. It is not persisted: a changed
// configuration takes effect at the next step and keeps every timer.
type Spec struct {
	OnDelay  time.Duration // beyond for the whole of it before the alarm rises
	OffDelay time.Duration // back for the whole of it before the alarm clears
	// Window takes the delays as the lengths of windows: what counts is the share of
	// the time, and one look on the other side begins nothing anew. See weigh.
	Window bool
	// Hold lets the on-delay count, but the alarm not rise.
	Hold bool
	// MaxGap bounds the running time between two good samples that a delay
	// may count; a longer one was not observed and counts nothing.
	MaxGap time.Duration
	// RealarmAfter makes an acknowledged, still active alarm unacknowledged
	// again; zero never does.
	RealarmAfter time.Duration
	// MaxShelf caps what is left of a shelf, whoever set it.
	MaxShelf time.Duration
	// KeepReturned is how long RTNUN waits for an acknowledgement; then the
	// alarm is NORM without one. Zero waits for ever, negative not at all.
	KeepReturned time.Duration
	Latched      bool // a return to normal waits for a reset
}

// A Shelf is a person's decision to put an alarm away for a while. It ends at
// whichever of its two ends comes first: running time stands still while dewline
// is off.
type Shelf struct {
	Until   time.Duration `json:"until"`         // running time
	Wall    time.Time     `json:"wall,omitzero"` // the same end by a set clock, believed only when synchronised
	OneShot bool          `json:"one_shot,omitempty"`
	Began   bool          `json:"began,omitempty"` // one-shot: the active period has started
	Mild    bool          `json:"mild,omitempty"`  // the alarm was less than one that wakes
}

// An Out is a person's decision to take an alarm out of service. It ends at
// whichever of its two ends comes first.
type Out struct {
	Until time.Time     `json:"until"` // wall time, believed only when synchronised
	Mono  time.Duration `json:"mono"`  // the same end in running time
}

// Record is the life of one alarm. It holds plain data only and survives a
// JSON round trip unchanged; the zero value is a normal alarm never raised. What a
// step looks at first stands last, beside what follows the record in an alarm: in a
// large room every line of memory counts.
type Record struct {
	Seq     uint64          `json:"seq,omitempty"` // counts departures from NORM
	Since   sensors.Instant `json:"since"`         // since when it has been beyond the limit, if not all the time
	AckedAt time.Duration   `json:"acked_at,omitempty"`
	EndedAt time.Duration   `json:"ended_at,omitempty"` // last return to normal
	Shelf   *Shelf          `json:"shelf,omitempty"`
	Out     *Out            `json:"out,omitempty"`
	OnFor   time.Duration   `json:"on_for,omitempty"`  // for how long it has been beyond; see evidence
	OffFor  time.Duration   `json:"off_for,omitempty"` // and that it is back
	SeenAt  time.Duration   `json:"seen_at,omitempty"` // running time of the last good sample
	Seen    Input           `json:"seen,omitempty"`    // and what it was
	State   State           `json:"state"`
	// Active is the process condition after deadband and delays, kept up to
	// date in every state.
	Active bool `json:"active,omitempty"`
	// Unknown says that the condition cannot be evaluated at present.
	Unknown bool `json:"unknown,omitempty"`
	// Suppress asks for DSUPR while the condition is active.
	Suppress bool `json:"suppress,omitempty"`
	Held     bool `json:"held,omitempty"`     // latched and not yet reset
	Answered bool `json:"answered,omitempty"` // a person acknowledged this onset
}

// A Change is what one step did to a record. From equals To where the state
// stayed.
type Change struct {
	From, To State
	Why      string // empty where the process itself caused it
}

// Changed reports whether the state moved.
func (c Change) Changed() bool { return c.From != c.To }

// Annunciated reports whether a person should be looking at an alarm in s.
func (s State) Annunciated() bool { return s == Unack || s == Acked }

// Unanswered reports whether s waits for a person to acknowledge it.
func (s State) Unanswered() bool { return s == Unack || s == RTNUN || s == LatchUnack }

// Kept reports whether s is over and held until a person resets it.
func (s State) Kept() bool { return s == LatchUnack || s == LatchAck }

// Over reports whether s waits for a person though its condition ended.
func (s State) Over() bool { return s == RTNUN || s.Kept() }

// PutAway reports whether s is one of the three suppressed states.
func (s State) PutAway() bool { return s == Shelved || s == Suppressed || s == OutOfService }

// State is a state of the alarm lifecycle of ANSI/ISA-18.2 and IEC 62682.
type State uint8

// The states, under the names that the standards use.
const (
	Norm         State = iota // normal
	Unack                     // active, unacknowledged
	Acked                     // active, acknowledged
	RTNUN                     // returned to normal, unacknowledged
	LatchUnack                // process normal, alarm held until reset, unacknowledged
	LatchAck                  // process normal, alarm held until reset, acknowledged
	Shelved                   // SHLVD: put away by a person for a limited time
	Suppressed                // DSUPR: suppressed by design
	OutOfService              // OOSRV: taken out of service by a person
	numStates
)

var stateNames = [numStates]string{
	"NORM", "UNACK", "ACKED", "RTNUN", "LUNACK", "LACKED", "SHLVD", "DSUPR", "OOSRV",
}

// String returns the standard's name of the state, such as "RTNUN".
func (s State) String() string {
	if s < numStates {
		return stateNames[s]
	}
	return fmt.Sprintf("STATE%d", uint8(s))
}

// MarshalText returns the standard's name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText accepts exactly the names that MarshalText writes.
func (s *State) UnmarshalText(text []byte) error {
	for i, n := range stateNames {
		if n == string(text) {
			*s = State(i)
			return nil
		}
	}
	return fmt.Errorf("alarm state %q is not one of %v", text, stateNames)
}
