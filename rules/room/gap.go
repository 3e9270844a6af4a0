package room

import (
	"time"

	"dewline/sensors"
)

// Off is what is known of the time in which dewline did not run. Running time
// stands still in it, so only a clock that is set before and after tells its
// length.
type Off struct {
	Set   sensors.Instant `json:"set,omitzero"`    // the newest moment with a set clock
	Open  bool            `json:"open,omitempty"`  // it was off since then, for how long is not known yet
	At    time.Duration   `json:"at,omitempty"`    // running time at which that began
	Added time.Duration   `json:"added,omitempty"` // by how much the estimators' time is ahead of running time
}

// UnknownOff stands in the estimators' time for an unknown length: none of them
// compares values that are so far apart.
const UnknownOff = 6 * time.Hour

// An Absence is one stretch that the engine has to make up for.
type Absence struct {
	Lost   time.Duration // running time of which the engine remembers nothing
	Off    time.Duration // and time that running time does not count
	Known  bool          // Off is
	Nobody time.Duration // looked for so long; what was lost with a state was looked at
	Short  bool          // a reload, a clean stop and start: only silence is forgiven
}

// Long reports whether it was too long for anything to be as it was.
func (a Absence) Long() bool { return !a.Known || a.Nobody > LongestInterval }

// Forget lets go of what a stretch hides that nobody looked in.
func (v *View) Forget(a Absence) {
	for i := range v.Probes {
		v.Probes[i].forget(v.At.Mono)
	}
	for i := range v.Enclosures {
		v.Enclosures[i].forget(a)
		v.Combine(&v.Enclosures[i], v.At.Mono)
	}
}
