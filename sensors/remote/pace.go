package remote

import (
	"fmt"
	"time"

	"dewline/sensors"
)

// How far a node's stamps may run ahead of its messages' arrivals: those of a backlog run
// faster than it arrives, what a node sends as it measures does not, whatever its clock
// says. Common practice, no source.
const (
	paceSlack = 3 * time.Second // stamps in whole seconds, and delays on the way
	paceOver  = 4               // so much of the time between arrivals, as 1/paceOver
	paceLeast = 5 * time.Second // between two arrivals that can tell
)

// A tempo is what the message before shows of one whose stamp cannot be right.
type tempo uint8

const (
	unproven tempo = iota // nothing: it is the first, a copy, or too near
	inPace                // it was measured about when it arrived
	drained               // it is part of a backlog
)

// A pacer holds what the next message with an impossible stamp is compared with.
type pacer struct {
	held bool
	mark held
}

// see compares a live message with the one before. limit is the age that a
// value may have: what came longer ago proves nothing.
func (p *pacer) see(next held, limit time.Duration) tempo {
	apart, on := next.arrived.Sub(p.mark.arrived), p.mark.stamp.until(next.stamp)
	switch {
	case !p.held || apart > limit || on < -paceSlack:
		*p = pacer{held: true, mark: next}
		return unproven
	case next.stamp.Said && next.stamp.same(p.mark.stamp) && next.sample == p.mark.sample:
		return unproven // a copy, or a node that repeats itself
	case on > apart+apart/paceOver+paceSlack:
		p.mark = next
		return drained
	case apart < paceLeast:
		return unproven
	}
	p.mark = next
	return inPace
}

// A Stamp is the time that a message gives for its values.
type Stamp struct {
	At   time.Time
	Said bool  // At is what the message says
	Err  error // why it says none although the format names where
}

// same reports whether both say the same time.
func (s Stamp) same(o Stamp) bool { return s.Said && o.Said && s.At.Equal(o.At) }

// until is the time from one stamp to a later one, zero unless both say one.
func (s Stamp) until(o Stamp) time.Duration {
	if !s.Said || !o.Said {
		return 0
	}
	return o.At.Sub(s.At)
}

// off says how a stamp differs from the clock here.
func (s Stamp) off(now time.Time) string {
	age := now.Sub(s.At)
	switch {
	case !s.Said && s.Err != nil:
		return "its time cannot be read: " + s.Err.Error()
	case age > 2*lateAtMost:
		return "it says " + s.At.UTC().Format(time.RFC3339)
	case age < 0:
		return fmt.Sprintf("it is %v ahead", (-age).Round(time.Second))
	default:
		return fmt.Sprintf("it is %v behind, or what it sends is held up for so long", age.Round(time.Second))
	}
}

// doubted reports a value dated by its arrival, because its stamp cannot be right.
func (h *held) doubted() bool {
	return h.any && h.err == nil && h.sample.Doubt == sensors.WrongClock
}
