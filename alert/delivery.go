package alert

import (
	"context"
	"errors"
	"time"

	"dewline/rules/alarm"
)

// A Delivery is one notice on its way to one person through one channel. There
// is at most one for each such triple: a newer version of the notice takes the
// place of an older one that has not left yet.
type Delivery struct {
	ID       string         `json:"id"` // notice, person and channel
	NoticeID string         `json:"notice"`
	Version  int            `json:"version"` // of the notice
	Person   string         `json:"person"`
	Channel  string         `json:"channel"`
	Kind     Kind           `json:"kind"`
	Priority alarm.Priority `json:"priority"`
	Lethal   bool           `json:"lethal,omitempty"` // an animal dies: before every other wake notice
	Again    bool           `json:"again,omitempty"`  // this version was taken over before
	Attempt  uint64         `json:"attempt"`          // goes up with every sending; never reused
	Fails    int            `json:"fails"`            // in a row
	// NotBefore and Deadline are in running time (sensors.Instant.Mono).
	NotBefore time.Duration `json:"not_before"`
	Deadline  time.Duration `json:"deadline"`
	// Message and Address are filled in when the delivery is handed out.
	Message Message `json:"-"`
	Address string  `json:"-"` // the person's address on this channel, for mail
}

// A Channel carries deliveries. Send returns nil when the other side confirmed
// that it took the message over, which says nothing of a person having read
// it. Its error is retryable unless it was made by Permanent or After. Send
// returns soon after ctx ends.
type Channel interface {
	Send(ctx context.Context, d Delivery) error
}

// Class says what to do about a failed sending.
type Class uint8

// The classes.
const (
	Retryable Class = iota // try again with back-off
	Refused                // trying again will not help soon: a today notice takes another way
)

type sendError struct {
	class Class
	after time.Duration
	err   error
}

func (e *sendError) Error() string { return e.err.Error() }
func (e *sendError) Unwrap() error { return e.err }

// Permanent marks err as one that trying again soon will not cure: a refused
// address, a rejected password.
func Permanent(err error) error { return &sendError{class: Refused, err: err} }

// After marks err as one to be retried no earlier than after d, as the other
// side asked.
func After(d time.Duration, err error) error { return &sendError{after: d, err: err} }

// ClassOf returns how err is to be treated and the wait that the other side
// asked for, zero for none.
func ClassOf(err error) (Class, time.Duration) {
	if e, ok := errors.AsType[*sendError](err); ok {
		return e.class, e.after
	}
	return Retryable, 0
}

// A SendResult is the outcome of one attempt; Err is nil when the other side
// took it over.
type SendResult struct {
	Delivery string
	Version  int
	Attempt  uint64
	Err      error
}

// ErrUnknownNotice says that no open notice has the id.
var ErrUnknownNotice = errors.New("no open notice has this id; it may have ended")

// ErrOldVersion says that an answer covers nothing that still rings.
var ErrOldVersion = errors.New("this version is answered already, and there is news since; answer the newest message")

// ErrUnknownPerson says that the configuration names no such person.
var ErrUnknownPerson = errors.New("no such person in the configuration")

// state is where a parcel is.
type state string

const (
	due   state = "due"   // to be sent when NotBefore and quiet hours allow
	out   state = "out"   // handed to the courier, no result yet
	taken state = "taken" // the other side confirmed the version said last
	lost  state = "lost"  // refused, too old, or too many waited
)

// A parcel is a delivery with its fate.
type parcel struct {
	Delivery
	State     state         `json:"state"`
	DueSince  time.Duration `json:"due_since"`
	OutSince  time.Duration `json:"out_since,omitempty"`
	HeldSince time.Duration `json:"held_since,omitempty"`
	Sent      int           `json:"sent,omitempty"`      // confirmed sendings
	Confirmed int           `json:"confirmed,omitempty"` // newest version taken over
	Recalled  int           `json:"recalled,omitempty"`  // how often it was, since its channel came back
}

type target struct{ person, channel string }
