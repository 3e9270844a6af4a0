package alarm

import (
	"fmt"
	"time"

	"dewline/configs"
)

// An ID names a kind of alarm. It is part of the contract with phones and
// dashboards.
type ID string

// Secrets is the subject of config-refused where parts do not work for want of a
// secret.
const Secrets = "secrets"

// Broker is the subject of config-refused where the broker does not let the room hear
// what it listens for.
const Broker = "broker"

// Priority says how a person is told.
type Priority uint8

// The priorities, from least to most urgent.
const (
	Note  Priority = iota // weekly summary only
	Today                 // once, held in quiet hours
	Wake                  // now, repeated until acknowledged
)

// String returns "note", "today" or "wake".
func (p Priority) String() string { return [...]string{"note", "today", "wake"}[min(p, Wake)] }

// MarshalText returns the priority's name.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText accepts exactly the names that MarshalText writes.
func (p *Priority) UnmarshalText(text []byte) error {
	for _, q := range []Priority{Note, Today, Wake} {
		if q.String() == string(text) {
			*p = q
			return nil
		}
	}
	return fmt.Errorf("priority %q is not one of note, today, wake", text)
}

// CauseKind is what is at fault.
type CauseKind string

// The kinds of cause.
const (
	CauseRoom      CauseKind = "room"
	CauseShelf     CauseKind = "shelf"
	CauseEnclosure CauseKind = "enclosure"
	CauseProbe     CauseKind = "probe"
	CauseSupply    CauseKind = "supply" // mist pump, reservoir, water
	CauseLamps     CauseKind = "lamps"
	CausePower     CauseKind = "power" // mains: lamps, mist and heating fail together
	CauseDoor      CauseKind = "door"
	CauseDewline   CauseKind = "dewline" // dewline itself
)

// A Cause is one thing at fault; alarms that share it make one notice.
type Cause struct {
	Kind CauseKind `json:"kind"`
	ID   string    `json:"id,omitempty"` // which shelf, enclosure, probe…; empty for room and dewline
}

// A Key names one alarm: which kind, about which subject.
type Key struct {
	Alarm   ID     `json:"alarm"`
	Subject string `json:"subject"` // enclosure id, probe id, room id or "dewline"
}

// Owner is what the subject of an alarm is.
type Owner uint8

// The owners. The engine judges all but those of a sentinel.
const (
	OfEnclosure Owner = iota
	OfProbe
	OfContact
	OfDewline
	OfSentinel
)

// Dimension is what the value and the limit of an alarm measure.
type Dimension uint8

// The dimensions.
const (
	NoDimension Dimension = iota // a count, or nothing
	Temperature
	Difference // of two temperatures
	Humidity
	Dose // share of the keeper's reference
	Seconds
	Minutes
	Days
)

// Unit returns the unit of values of a dimension: "°C", "%", "s", "min", "d" or
// empty.
func (d Dimension) Unit() string {
	return [...]string{"", "°C", "°C", "%", "%", "s", "min", "d"}[d]
}

// A Row is what is fixed about one kind of alarm.
type Row struct {
	ID       ID
	Of       Owner
	Priority Priority // of an onset
	Value    Dimension
	// Weight orders alarms of one urgency by what they mean for the animals.
	Weight int
	// Heat: it is told by what is left until the lethal limit.
	Heat bool
	// ByTemperature: the enclosures' temperatures together tell its cause.
	ByTemperature bool
	// ByHumidity: it is judged on the enclosure's humidity, and not known without.
	ByHumidity bool
	// AtLimit: it is a value against a limit, past which it is on its way back
	// while it is held, and its delays are windows. Low: the worse value is the lower one.
	AtLimit, Low bool
	// Graded: it may become more urgent while it lasts, and begins anew as an
	// alarm of its row's priority.
	Graded bool
	// Latched: its return to normal waits for a reset. Realarms: it rings again
	// while it goes on, where it wakes.
	Latched, Realarms bool
	// Deadband is what a keeper can set, in the unit of the value; nil for none.
	Deadband func(configs.Rules) float64
	// Delays are those of the onset and of the end; nil for none.
	Delays func(configs.Rules) (on, off time.Duration)
}

// Row returns what is fixed about a kind.
func (k Kind) Row() *Row { return &catalogue[k] }

// Find returns the row of an alarm, false for an id of no alarm.
func Find(id ID) (Row, bool) {
	if k, ok := KindOf(id); ok {
		return *k.Row(), true
	}
	return Row{}, false
}

// KindOf returns the kind that an id names.
func KindOf(id ID) (Kind, bool) {
	for k := range NumKinds {
		if k.Row().ID == id {
			return k, true
		}
	}
	return 0, false
}

// IsDelta reports whether the value, limit and peak of an alarm are differences
// of temperatures: 1 °C of them is 1.8 °F.
func IsDelta(id ID) bool { r, ok := Find(id); return ok && r.Value == Difference }

// MaxShelf is the longest that an alarm of a priority may be shelved. A shift
// is common practice for a shelf, no source; that a wake alarm gets no more than
// a quarter of an hour is ours, and that the lethal limit gets none: who
// empties an enclosure takes it out of service.
func MaxShelf(p Priority) time.Duration {
	return [...]time.Duration{Note: 7 * 24 * time.Hour, Today: 12 * time.Hour, Wake: 15 * time.Minute}[min(p, Wake)]
}

// keepReturned is how long an unacknowledged alarm that is over waits for a
// person: a wake alarm until somebody has seen it, a note not at all.
func keepReturned(p Priority) time.Duration {
	return [...]time.Duration{Note: -1, Today: 12 * time.Hour, Wake: 0}[min(p, Wake)]
}

// Spec derives what the lifecycle needs for a priority that the alarm may have.
// A full exposure that wakes does not ring again, as it lasts for a day whatever
// is done.
func (r *Row) Spec(p Priority, c configs.Rules) Spec {
	s := Spec{MaxShelf: MaxShelf(p), KeepReturned: keepReturned(p), Latched: r.Latched, Window: r.AtLimit}
	if r.Delays != nil {
		s.OnDelay, s.OffDelay = r.Delays(c)
	}
	if r.Latched {
		s.MaxShelf = 0
	}
	if r.Realarms && p == Wake {
		s.RealarmAfter = c.RealarmAfter.D()
	}
	return s
}
