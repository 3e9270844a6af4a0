package alert

import (
	"iter"
	"time"

	"dewline/alert/words"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Kind says what a notice tells.
type Kind string

// The kinds of notice.
const (
	Raise    Kind = "raise"    // something is wrong
	Update   Kind = "update"   // an open notice grew, shrank or got worse
	FollowUp Kind = "followup" // it is over; at most one for each end
	Test     Kind = "test"     // a drill: nothing is wrong, acknowledge it
	Silence  Kind = "silence"  // somebody put alarms away
)

// A Notice is what is told about one cause, as data: the same for everybody,
// with temperatures in °C. Render makes it a Message.
type Notice struct {
	// ID is the same for the life of the notice, across restarts and re-sends:
	// it is made from the alarm, the subject and the onset that opened it.
	ID string `json:"id"`
	// Version counts what was said under this id, from 1: re-sends repeat it.
	Version  int            `json:"version"`
	Kind     Kind           `json:"kind"`
	Room     string         `json:"room"`
	Cause    alarm.Cause    `json:"cause"`
	Priority alarm.Priority `json:"priority"`
	Since    time.Time      `json:"since"` // wall clock of the earliest onset
	Time     time.Time      `json:"time"`  // wall clock of this version
	// ClockSet is false where the board had no time from outside.
	ClockSet bool `json:"clock_set"`
	// Members are the alarms under this notice, worst first; those that have
	// ended stay, after the others, until the notice itself ends.
	Members []Member `json:"members"`
	// Supersedes names the notices that this one absorbed.
	Supersedes []string `json:"supersedes,omitempty"`
	AckedBy    string   `json:"acked_by,omitempty"`
	// Person is whom a drill is for.
	Person string `json:"person,omitempty"`
	// Silenced is what a notice of that kind tells.
	Silenced []words.Silenced `json:"silenced,omitempty"`
	// Shared is what the probes of a storm hang on, nil for nothing in common.
	Shared *words.Shared `json:"shared,omitempty"`
}

// A DrillResult is what a drill measured.
type DrillResult struct {
	ID      string             `json:"id"`
	Person  string             `json:"person"`
	At      sensors.Instant    `json:"at"`
	Taken   map[string]float64 `json:"taken"` // seconds until each channel took it over
	Acked   bool               `json:"acked"`
	AckedIn float64            `json:"acked_in"` // seconds
	AckedBy string             `json:"acked_by,omitempty"`
	Done    bool               `json:"done"`
}

// each visits the members.
func (n *Notice) each() iter.Seq[*Member] {
	return func(yield func(*Member) bool) {
		for i := range n.Members {
			if !yield(&n.Members[i]) {
				return
			}
		}
	}
}
