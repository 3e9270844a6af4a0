package alert

import (
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// What a person can ask beside what the rules act on: Duty puts a person, named as
// the subject, before all others until an end; DutyOver ends that.
const (
	Duty     rules.ActionKind = "duty"
	DutyOver rules.ActionKind = "duty-over"
)

// A Command is what a person asks of the daemon through a channel. It is
// checked for form and token before anybody sees it.
type Command struct {
	ID      string  `json:"id,omitempty"` // of the request, echoed in the reply
	Token   string  `json:"token,omitempty"`
	Action  string  `json:"action"` // acknowledge, shelve, unshelve, reset, out-of-service, in-service, duty, duty-over
	Alarm   string  `json:"alarm,omitempty"`
	Subject string  `json:"subject,omitempty"`
	Seq     uint64  `json:"seq,omitempty"` // the onset that was seen; 0 for whichever
	Notice  string  `json:"notice,omitempty"`
	Version int     `json:"version,omitempty"` // of the notice that is answered; 0 for what was handed over so far
	Minutes float64 `json:"minutes,omitempty"`
	// Until is when being out of service or on duty ends; Minutes is used where it is
	// zero.
	Until   time.Time `json:"until,omitzero"`
	OneShot bool      `json:"one_shot,omitempty"` // shelve for one active period
	// Empty says of what is taken out of service that nobody lives in it: without
	// that its lethal heat still wakes.
	Empty bool   `json:"empty,omitempty"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
}

// A Reply answers a Command.
type Reply struct {
	ID    string `json:"id,omitempty"`
	OK    bool   `json:"ok"`
	Error string `json:"error,omitempty"`
	// Note is what is to be known of what was done, such as that it is not kept.
	Note string `json:"note,omitempty"`
}

// A Note is one line that a keeper wrote about an enclosure, or about the room
// where Enclosure is empty, as it is kept.
type Note struct {
	At        sensors.Instant `json:"at"`
	Enclosure string          `json:"enclosure"`
	By        string          `json:"by"`
	Text      string          `json:"text"`
}
