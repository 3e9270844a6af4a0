package alarm

import "fmt"

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
