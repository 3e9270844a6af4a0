package rules

import (
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// What an alarm is, of package alarm.
type (
	AlarmID   = alarm.ID
	Priority  = alarm.Priority
	Cause     = alarm.Cause
	CauseKind = alarm.CauseKind
	Key       = alarm.Key
)

// The alarms that the rules judge; see the catalogue of package alarm.
const (
	LethalCeiling    = alarm.LethalCeiling
	CeilingAhead     = alarm.CeilingAhead
	Exposure         = alarm.Exposure
	AboveBand        = alarm.AboveBand
	BelowBand        = alarm.BelowBand
	HumidityFloor    = alarm.HumidityFloor
	NightDrop        = alarm.NightDrop
	MistMissing      = alarm.MistMissing
	MistWeak         = alarm.MistWeak
	MistEndless      = alarm.MistEndless
	DryDown          = alarm.DryDown
	DoorAjar         = alarm.DoorAjar
	LampStuck        = alarm.LampStuck
	ProbeSilent      = alarm.ProbeSilent
	ProbeFrozen      = alarm.ProbeFrozen
	ProbeWet         = alarm.ProbeWet
	ProbeJump        = alarm.ProbeJump
	ProbeDisagrees   = alarm.ProbeDisagrees
	ProbeClock       = alarm.ProbeClock
	ProbeOverdue     = alarm.ProbeOverdue
	DeliveryStalled  = alarm.DeliveryStalled
	RecordIncomplete = alarm.RecordIncomplete
	ClockUnset       = alarm.ClockUnset
	BlindPeriod      = alarm.BlindPeriod
	DrillOverdue     = alarm.DrillOverdue
	ConfigRefused    = alarm.ConfigRefused
	CertificateDue   = alarm.CertificateDue
)

// The priorities.
const (
	Note  = alarm.Note
	Today = alarm.Today
	Wake  = alarm.Wake
)

// The kinds of cause.
const (
	CauseRoom      = alarm.CauseRoom
	CauseShelf     = alarm.CauseShelf
	CauseEnclosure = alarm.CauseEnclosure
	CauseProbe     = alarm.CauseProbe
	CauseSupply    = alarm.CauseSupply
	CauseLamps     = alarm.CauseLamps
	CauseDoor      = alarm.CauseDoor
	CauseDewline   = alarm.CauseDewline
)

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
