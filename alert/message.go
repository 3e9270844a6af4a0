package alert

import (
	"time"

	"dewline/rules/alarm"
)

// An AlarmRef names one alarm of a message, for programs that answer it.
type AlarmRef struct {
	Alarm    alarm.ID       `json:"alarm"`
	Subject  string         `json:"subject"`
	Seq      uint64         `json:"seq"`
	State    string         `json:"state"`
	Priority alarm.Priority `json:"priority"`
}

// A Message is a notice as one person receives it. Its JSON is what the MQTT
// topic and the webhook carry; fields may be added, none is renamed.
type Message struct {
	ID          string         `json:"id"`
	Version     int            `json:"version"`
	Kind        Kind           `json:"kind"`
	Time        time.Time      `json:"time"`
	Since       time.Time      `json:"since"`
	ClockSet    bool           `json:"clock_set"`
	Room        string         `json:"room"`
	Priority    alarm.Priority `json:"priority"`
	Cause       string         `json:"cause"` // kind of the cause: "room", "enclosure"…
	CauseID     string         `json:"cause_id,omitempty"`
	Title       string         `json:"title"`
	Text        string         `json:"text"`
	FirstAction string         `json:"first_action"`
	Subjects    []string       `json:"subjects"` // worst first
	Alarms      []AlarmRef     `json:"alarms,omitempty"`
	Supersedes  []string       `json:"supersedes,omitempty"`
	Ack         string         `json:"ack,omitempty"`  // link to the page that acknowledges
	To          string         `json:"to,omitempty"`   // person
	Sent        int            `json:"sent,omitempty"` // 1 for the first sending, 2 for its first repeat…
	// Escalated says that the people before did not answer or cannot be reached.
	Escalated bool `json:"escalated,omitempty"`
}
