package rules

import (
	"fmt"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// An AlarmID names a kind of alarm.
type AlarmID string

// The alarms. Their names are part of the contract with phones and dashboards.
const (
	LethalCeiling    AlarmID = "lethal-ceiling"
	CeilingAhead     AlarmID = "ceiling-ahead"
	Exposure         AlarmID = "exposure"
	AboveBand        AlarmID = "above-band"
	BelowBand        AlarmID = "below-band"
	HumidityFloor    AlarmID = "humidity-floor"
	NightDrop        AlarmID = "night-drop"
	MistMissing      AlarmID = "mist-missing"
	MistWeak         AlarmID = "mist-weak"
	MistEndless      AlarmID = "mist-endless"
	DryDown          AlarmID = "dry-down"
	DoorAjar         AlarmID = "door-ajar"
	LampStuck        AlarmID = "lamp-stuck"
	ProbeSilent      AlarmID = "probe-silent"
	ProbeFrozen      AlarmID = "probe-frozen"
	ProbeWet         AlarmID = "probe-wet"
	ProbeJump        AlarmID = "probe-jump"
	ProbeDisagrees   AlarmID = "probe-disagrees"
	ProbeClock       AlarmID = "probe-clock"   // a node stamps its values wrong
	ProbeOverdue     AlarmID = "probe-overdue" // calibration due
	DeliveryStalled  AlarmID = "delivery-stalled"
	RecordIncomplete AlarmID = "record-incomplete"
	ClockUnset       AlarmID = "clock-unset"
	BlindPeriod      AlarmID = "blind-period"
	DrillOverdue     AlarmID = "drill-overdue"
	ConfigRefused    AlarmID = "config-refused"  // an earlier configuration is in force
	CertificateDue   AlarmID = "certificate-due" // one that a channel or the page needs runs out
)

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
	Alarm   AlarmID `json:"alarm"`
	Subject string  `json:"subject"` // enclosure id, probe id, room id or "dewline"
}

// A Range is a span of time that an event is expected in.
type Range struct {
	FromMinutes float64 `json:"from_minutes"`
	ToMinutes   float64 `json:"to_minutes"`
}

// Detail carries what a person needs beside the value. Every field is
// optional; empty means unknown or none.
type Detail struct {
	Temperature   float64  `json:"temperature,omitempty"`   // °C at the hottest place, for alarms by heat; 0 for unknown
	Ceiling       float64  `json:"ceiling,omitempty"`       // °C, with Temperature
	RatePerHour   float64  `json:"rate_per_hour,omitempty"` // °C/h of the temperature that the alarm is about, whatever the unit of its value
	HasRate       bool     `json:"has_rate,omitempty"`
	TimeToCeiling *Range   `json:"time_to_ceiling,omitempty"`
	LampsOffGain  *Range   `json:"lamps_off_gain,omitempty"` // minutes won by lamps off
	Evidence      []string `json:"evidence,omitempty"`       // short clauses, one fact each
	FirstAction   string   `json:"first_action,omitempty"`
	DoFirst       string   `json:"do_first,omitempty"` // as many whole steps of it as a short message takes
	Excused       []string `json:"excused,omitempty"`
	Unknown       []string `json:"unknown,omitempty"`
	// Fahrenheit is the wording for who reads °F; nil where no temperature
	// stands in it.
	Fahrenheit *Wording `json:"fahrenheit,omitempty"`
}

// A Wording is what the rules say of an alarm in sentences, for one reader's
// scale.
type Wording struct {
	Text        string   `json:"text,omitempty"`
	Evidence    []string `json:"evidence,omitempty"`
	Excused     []string `json:"excused,omitempty"`
	Unknown     []string `json:"unknown,omitempty"`
	FirstAction string   `json:"first_action,omitempty"`
	DoFirst     string   `json:"do_first,omitempty"`
}

// In returns what a text and its detail say on a scale.
func (d *Detail) In(s unit.Scale, text string) Wording {
	if s == unit.Fahrenheit && d.Fahrenheit != nil {
		return *d.Fahrenheit
	}
	return Wording{text, d.Evidence, d.Excused, d.Unknown, d.FirstAction, d.DoFirst}
}

// A Transition is one step of one alarm's life. From equals To where only what
// is known about an open alarm changed (priority, cause, value, detail).
type Transition struct {
	At       sensors.Instant `json:"at"`
	Key      Key             `json:"key"`
	Seq      uint64          `json:"seq"` // of the onset: the same until the alarm is NORM again
	From     alarm.State     `json:"from"`
	To       alarm.State     `json:"to"`
	Priority Priority        `json:"priority"`
	Cause    Cause           `json:"cause"`
	Value    float64         `json:"value"`
	HasValue bool            `json:"has_value"`
	Limit    float64         `json:"limit"`
	HasLimit bool            `json:"has_limit"`
	Unit     string          `json:"unit"` // "°C", "%", "min", "s", "d", "" — of Value and Limit
	Since    sensors.Instant `json:"since"`
	By       string          `json:"by,omitempty"` // who acted, for acknowledge, shelve and the like
	Why      string          `json:"why,omitempty"`
	Text     string          `json:"text"` // one sentence, °C; in °F see Detail.In
	Detail   Detail          `json:"detail"`
}
