package alert

import "time"

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

// A target is one channel of one person.
type target struct{ person, channel string }
