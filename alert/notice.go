package alert

import (
	"time"

	"dewline/alert/words"
	"dewline/rules"
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
	Cause    rules.Cause    `json:"cause"`
	Priority rules.Priority `json:"priority"`
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

// A Member is one alarm as a notice tells it.
type Member struct {
	Key      rules.Key      `json:"key"`
	Seq      uint64         `json:"seq"` // of the onset
	Name     string         `json:"name,omitempty"`
	State    alarm.State    `json:"state"`
	Priority rules.Priority `json:"priority"`
	Value    float64        `json:"value"` // last
	Peak     float64        `json:"peak"`  // furthest past the limit
	// PeakLimit is the limit in force at the peak: that of day and night differ.
	PeakLimit float64         `json:"peak_limit,omitempty"`
	HasValue  bool            `json:"has_value"`
	Limit     float64         `json:"limit"`
	HasLimit  bool            `json:"has_limit"`
	Unit      string          `json:"unit"`
	Since     sensors.Instant `json:"since"`
	Ended     sensors.Instant `json:"ended,omitzero"`
	By        string          `json:"by,omitempty"`   // who acted last
	Gone      bool            `json:"gone,omitempty"` // it ended since the configuration has its subject no more
	Text      string          `json:"text"`
	Detail    rules.Detail    `json:"detail"`
	// Cause is the alarm's own, which may be narrower than the notice's.
	Cause rules.Cause `json:"cause,omitzero"`
	// Told says that the version said last told of it as active, Covered that
	// an acknowledgement covers it. Both begin anew when it rings again.
	Told    bool `json:"told,omitempty"`
	Covered bool `json:"covered,omitempty"`
	// Named lists the versions that first named it since it rings, one for each
	// notice that it stood under; ToldAt is when the first was said, in running
	// time. Heard says that one of them was handed over to somebody.
	Named  []Naming      `json:"named,omitempty"`
	ToldAt time.Duration `json:"told_at,omitempty"`
	Heard  bool          `json:"heard,omitempty"`
	// Handed says to whom, and Answered who answered; an older document has neither.
	Handed   []Handing  `json:"handed,omitempty"`
	Answered *Answering `json:"answered,omitempty"`
}

// Active reports whether the condition behind m still holds, as far as a
// person needs to hear of it: put away by a person or by design counts as not.
func (m Member) Active() bool { return m.State == alarm.Unack || m.State == alarm.Acked }
