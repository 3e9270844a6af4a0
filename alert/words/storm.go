package words

import (
	"fmt"

	"dewline/rules/alarm"
)

// CauseSeveral is the cause of a notice that many causes of their own share,
// since they began within minutes: what lies behind them is one, or at least is
// told as one. Its id says whether they wake.
const CauseSeveral alarm.CauseKind = "several"

// A Shared is what several probes that fail together hang on.
type Shared struct {
	Kind  string `json:"kind"` // "bus", "broker" or "board"
	Name  string `json:"name,omitempty"`
	Count int    `json:"count"` // of the probes that fail
	Of    int    `json:"of"`    // of all that hang on it
}

// line says what probes that fail together have in common.
func (s *Shared) line() string {
	on := map[string]string{"bus": "on the bus " + s.Name, "broker": "read by the broker " + s.Name, "board": "on the board itself"}[s.Kind]
	if s.Count >= s.Of {
		return fmt.Sprintf("They are all %d probes %s: look at that first, and at its supply.\n", s.Of, on)
	}
	return fmt.Sprintf("They are %d of the %d probes %s: look at the supply and the cable or radio that these share.\n", s.Count, s.Of, on)
}
