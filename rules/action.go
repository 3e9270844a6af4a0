package rules

import (
	"errors"
	"time"

	"dewline/rules/alarm"
)

// ActionKind is what a person does to an alarm.
type ActionKind string

// The actions.
const (
	Acknowledge     ActionKind = "acknowledge"
	Shelve          ActionKind = "shelve"
	Unshelve        ActionKind = "unshelve"
	Reset           ActionKind = "reset" // let go of a latched alarm
	TakeOut         ActionKind = "out-of-service"
	ReturnToService ActionKind = "in-service"
)

// An Action is one decision of one person.
type Action struct {
	Kind ActionKind `json:"kind"`
	// Key names the alarm. An empty Alarm means every alarm of the subject;
	// TakeOut and ReturnToService always act on the whole subject.
	Key alarm.Key `json:"key"`
	// Seq, unless zero, is the onset that the person saw: an answer to an
	// earlier one is refused and changes nothing.
	Seq uint64 `json:"seq,omitempty"`
	By  string `json:"by"`
	Why string `json:"why,omitempty"`
	// For is how long to shelve or to take out of service.
	For time.Duration `json:"for,omitempty"`
	// Until is the end of being out of service; For is used where it is zero.
	Until   time.Time `json:"until"`
	OneShot bool      `json:"one_shot,omitempty"` // shelve for one active period, at most For
	// Empty says of an enclosure that is taken out of service that nobody lives in
	// it. Without that its lethal heat is told all the same.
	Empty bool `json:"empty,omitempty"`
}

// Why an action was refused. Nothing has changed then.
var (
	ErrNoAlarm   = errors.New("no such alarm is open")
	ErrOldOnset  = errors.New("that onset of the alarm is over")
	ErrNotNow    = errors.New("the alarm does not wait for that")
	ErrTooLong   = errors.New("longer than allowed")
	ErrNoShelf   = errors.New("lethal heat cannot be shelved; acknowledge it, or take the enclosure out of service as empty")
	ErrNoEnd     = errors.New("an end is needed")
	ErrNoAction  = errors.New("unknown action")
	ErrNobody    = errors.New("an action needs a name")
	ErrNoSubject = errors.New("no such enclosure or probe")
)

// A Condition is something that dewline observes about itself, or that another
// part of dewline found out. It holds until Set again with Active false.
type Condition struct {
	Key      alarm.Key // of one of the alarms from DeliveryStalled to SentinelSilent
	Active   bool
	Priority alarm.Priority
	Value    float64
	HasValue bool
	Limit    float64
	HasLimit bool
	Unit     string     // of Value and Limit, as in a Transition
	Is       alarm.Fact // the one of the alarm's own id where it is zero
	Evidence []alarm.Fact
	Steps    []alarm.Step // in place of the usual ones
}

// Self is the subject of alarms about dewline itself.
const Self = "dewline"
