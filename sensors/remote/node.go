// Package remote reads wireless nodes that publish JSON over MQTT: a Node keeps the newest
// value and says how old it is, the Subscriber feeds Nodes. It only listens.
//
// A value is only as good as its age. A message that the broker had retained proves
// nothing about now unless it carries its own time. A live message whose time cannot be
// right is dated by its arrival and doubted, so that a clock hides no heat; a backlog
// never is.
package remote

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

const (
	defaultMaxAge = 5 * time.Minute
	// A node's clock may be ahead by so much; common practice, no source.
	clockSlack = time.Minute
	// A live message stamped older than this shows by itself a clock that is
	// wrong rather than a message that was late.
	lateAtMost = 24 * time.Hour
)

// A Message is one arrival on a node's topic.
type Message struct {
	Payload []byte
	// Retained says that the broker had kept it from before the subscription.
	Retained bool
}

// A Node is one remote probe: it takes messages as they arrive and answers
// with the newest value. It is safe for concurrent use.
type Node struct {
	id     sensors.ProbeID
	topic  string
	format Format
	maxAge time.Duration
	synced func() bool
	since  time.Time // that it may have been heard

	mu   sync.Mutex
	held held
	pace pacer
	live bool // a message that was not retained has arrived
	off  bool // its clock was told to be wrong

	unheard error // why no message can come, nil where one can
}

// held is what the newest message gave.
type held struct {
	any     bool
	asked   bool // it was the answer already
	sample  sensors.Sample
	err     error // what was wrong with it, nil for a value
	stamp   Stamp
	arrived time.Time     // with the monotonic clock
	age     time.Duration // when it arrived
}

// NewNode returns the node that p describes. While the board's own clock is not synced,
// stamps are not compared with it. A nil synced means always.
func NewNode(p configs.Probe, synced func() bool) (*Node, error) {
	f, err := NewFormat(p)
	const longest = 65535 // of MQTT's texts, which hold no zero (MQTT 3.1.1, section 1.5.3)
	switch {
	case err != nil:
	case p.Topic == "": // given and empty
		err = errors.New("a remote probe needs a topic")
	case len(p.Topic) > longest || strings.ContainsRune(p.Topic, 0):
		err = fmt.Errorf("no broker takes its topic of %d bytes", len(p.Topic))
	}
	if err != nil {
		return nil, fmt.Errorf("probe %s: %w", p.ID, err)
	}
	n := &Node{id: sensors.ProbeID(p.ID), topic: p.Topic, format: f, maxAge: p.MaxAge.D(), synced: synced, since: time.Now()}
	if n.maxAge <= 0 {
		n.maxAge = defaultMaxAge
	}
	if n.synced == nil {
		n.synced = func() bool { return true }
	}
	return n, nil
}

// NewContact returns the node that sends a contact. Its humidity is the figure that
// it sends, 1 for true and 0 for false.
func NewContact(c configs.Contact, synced func() bool) (*Node, error) {
	n, err := NewNode(configs.Probe{ID: c.ID, Topic: c.Topic, HumidityPointer: c.Pointer, TimePointer: c.TimePointer, MaxAge: c.MaxAge}, synced)
	if err != nil {
		return nil, fmt.Errorf("contact: %w", err)
	}
	n.format.truth = true
	return n, nil
}

// Deliver takes one message, in the order in which they arrive. It returns what
// is new about the node's clock, empty for nothing.
//
// A live message whose stamp cannot be right is dated by its arrival and doubted once
// another shows that stamps keep pace with arrivals. What the broker had kept and a
// backlog never are.
func (n *Node) Deliver(m Message) (news string) {
	s, stamp, err := n.format.Decode(m.Payload)
	n.mu.Lock()
	defer n.mu.Unlock()
	if m.Retained && n.live {
		// Sent again because we subscribed again; what has arrived since
		// the first subscription is at least as new.
		return ""
	}
	n.live = n.live || !m.Retained
	next, shown := held{any: true, sample: s, err: err, stamp: stamp, arrived: time.Now()}, inPace
	if err == nil {
		shown = n.date(&next, m.Retained)
	}
	if n.notNewer(next, shown) {
		return ""
	}
	n.held = next
	return n.clockNews()
}

// date finds how old a value is. A live one whose stamp is impossible or past
// the age limit is dated by its arrival where it keeps pace.
func (n *Node) date(next *held, retained bool) tempo {
	next.age, next.err = n.ageOf(next.stamp, next.arrived, retained)
	switch {
	case retained:
		return inPace
	case next.err == nil && !n.synced() && next.stamp.Said:
		// Nothing to compare stamps with but each other.
		if n.pace.see(*next, n.maxAge) == drained {
			next.err = sensors.Faultf(sensors.TooOld, "stamped %s, as part of a backlog", next.stamp.At.UTC().Format(time.RFC3339))
		}
		return inPace
	case next.err == nil && next.age <= n.maxAge:
		n.pace = pacer{}
		return inPace
	}
	shown := n.pace.see(*next, n.maxAge)
	if shown == inPace {
		next.age, next.err, next.sample.Doubt = 0, nil, sensors.WrongClock
	}
	return shown
}

// notNewer reports a value older than the one held, or stamped the same: a late copy, or
// a node that repeats itself. Nor does an impossible stamp that shows nothing yet blind to
// a value that is young enough. Ages are compared and not stamps, so that a node whose
// clock was put back is not shut out.
func (n *Node) notNewer(next held, shown tempo) bool {
	h := &n.held
	switch {
	case next.doubted():
		return false
	case shown == unproven && h.any && h.err == nil && h.age+next.arrived.Sub(h.arrived) <= n.maxAge:
		return true
	case h.doubted(): // its age cannot be compared
		return shown == unproven
	case next.err != nil || !h.any || h.err != nil || !next.stamp.Said:
		return false
	}
	return next.stamp.same(h.stamp) || next.age > h.age+next.arrived.Sub(h.arrived)
}

// clockNews says what the value now held shows of the node's clock, if that was
// not told before. A failed message shows nothing.
func (n *Node) clockNews() string {
	doubted := n.held.doubted()
	if n.held.err != nil || doubted == n.off || n.held.age > n.maxAge {
		return ""
	}
	n.off = doubted
	if doubted {
		return n.held.stamp.off(n.held.arrived)
	}
	return "it is right again"
}

var errUndated = sensors.Faultf(sensors.TooOld, "the broker had kept the value, and nothing says how old it is")

// ageOf returns how old a value was when it arrived.
func (n *Node) ageOf(stamp Stamp, now time.Time, retained bool) (time.Duration, error) {
	if retained && (!stamp.Said || !n.synced()) {
		return 0, errUndated
	}
	switch {
	case stamp.Err != nil:
		return 0, sensors.Fault(sensors.WrongClock, stamp.Err)
	case !stamp.Said, !n.synced():
		return 0, nil
	}
	age := now.Sub(stamp.At)
	switch {
	case age < -clockSlack:
		return 0, sensors.Faultf(sensors.WrongClock, "stamped %v ahead of the clock here", (-age).Round(time.Second))
	case age > lateAtMost && !retained:
		return 0, sensors.Faultf(sensors.WrongClock, "stamped %s though it was just sent", stamp.At.UTC().Format(time.RFC3339))
	}
	return max(age, 0), nil
}

// Sample returns the newest value, as Again if it did before, without waiting. The error,
// a sensors.FaultError, says that there is none, or none young enough.
func (n *Node) Sample(context.Context) (sensors.Sample, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	s, err := n.sampleLocked(time.Now())
	return s, sensors.Located(fmt.Sprintf("probe %s on topic %s", n.id, n.topic), err)
}

// Unheard tells why nobody listens for the node, so that it need not be waited for.
func (n *Node) Unheard(why error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.unheard = sensors.Fault(sensors.BusError, fmt.Errorf("nobody listens for it: %w", why))
}

func (n *Node) sampleLocked(now time.Time) (sensors.Sample, error) {
	h := &n.held
	switch {
	case n.unheard != nil:
		return sensors.Sample{}, n.unheard
	case !n.live && now.Sub(n.since) <= n.maxAge && (!h.any || errors.Is(h.err, errUndated)):
		// So long may a sound node be between two messages.
		return sensors.Sample{}, sensors.Faultf(sensors.Waiting, "no message yet, in %v since dewline listens", now.Sub(n.since).Round(time.Second))
	case !h.any:
		return sensors.Sample{}, sensors.Faultf(sensors.TooOld, "no message yet: does the node run, and publish on this topic?")
	case h.err != nil:
		return sensors.Sample{}, h.err
	}
	if age := h.age + now.Sub(h.arrived); age > n.maxAge {
		return sensors.Sample{}, sensors.Faultf(sensors.TooOld, "the newest value is %v old; the limit is %v", age.Round(time.Second), n.maxAge)
	}
	s := h.sample
	s.Again, h.asked = h.asked, true
	return s, nil
}

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

// Family is the row of wireless nodes, with the widest limits.
func Family() sensors.Family {
	return sensors.Family{
		Name: "remote", Needs: []string{"topic"},
		Allows: []string{"temperature_pointer", "temperature_unit", "humidity_pointer", "humidity_unit", "time_pointer", "max_age"},
		Check:  check,
		Measures: func(p configs.Probe) configs.Measures {
			return configs.Measures{Temperature: p.TemperaturePointer != "", Humidity: p.HumidityPointer != ""}
		},
		Limits: sensors.WidestLimits(),
		Open:   func(p configs.Probe, _ i2c.Bus) (sensors.Sampler, error) { return NewNode(p, sensors.KernelSynced) },
		Wire:   func(configs.Probe) string { return "remote" },
		Sends:  true,
	}
}

// check looks at how a node's JSON is read.
func check(s *configs.Section, p configs.Probe) {
	s.FaultIf(!s.Has("temperature_pointer") && !s.Has("humidity_pointer"), "",
		`add temperature_pointer = "/temperature" or humidity_pointer`, "probe %q reads nothing from its node's JSON", p.ID)
	s.Node(fmt.Sprintf("probe %q", p.ID), p.Topic, map[string]string{
		"temperature_pointer": p.TemperaturePointer, "humidity_pointer": p.HumidityPointer, "time_pointer": p.TimePointer,
	})
	s.OneOf("temperature_unit", p.TemperatureUnit, "°C", "F")
	s.OneOf("humidity_unit", p.HumidityUnit, "%", "ratio")
	s.Within("max_age", p.MaxAge, configs.Duration(time.Second), configs.Duration(24*time.Hour))
}
