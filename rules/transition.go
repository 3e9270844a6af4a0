package rules

import (
	"strconv"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// What an alarm is, of package alarm.
type (
	AlarmID   = alarm.ID
	Priority  = alarm.Priority
	Cause     = alarm.Cause
	CauseKind = alarm.CauseKind
	Key       = alarm.Key
	Range     = alarm.Range
	Detail    = alarm.Detail
)

// What an alarm keeps, and what a room is told, of package room.
type (
	Record      = room.Record
	Calibration = room.Calibration
)

// The alarms that the rules judge; see the catalogue of package alarm.
const (
	LethalLimit      = alarm.LethalLimit
	LethalAhead      = alarm.LethalAhead
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
	ProbeLossy       = alarm.ProbeLossy
	ProbeOverdue     = alarm.ProbeOverdue
	DeliveryStalled  = alarm.DeliveryStalled
	RecordIncomplete = alarm.RecordIncomplete
	ClockUnset       = alarm.ClockUnset
	BlindPeriod      = alarm.BlindPeriod
	DrillOverdue     = alarm.DrillOverdue
	ConfigRefused    = alarm.ConfigRefused
	CertificateDue   = alarm.CertificateDue
	DuplicateRoom    = alarm.DuplicateRoom
	SentinelSilent   = alarm.SentinelSilent
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
	CausePower     = alarm.CausePower
	CauseLamps     = alarm.CauseLamps
	CauseDoor      = alarm.CauseDoor
	CauseDewline   = alarm.CauseDewline
)

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
	Text     string          `json:"text,omitempty"` // words from outside the rules; the rules give facts in Detail
	Detail   Detail          `json:"detail"`
}

// Said is what words are made of.
func (t *Transition) Said() alarm.Said {
	return alarm.Said{Key: t.Key, Cause: t.Cause, HasValue: t.HasValue, HasLimit: t.HasLimit,
		Unit: t.Unit, Text: t.Text, Detail: &t.Detail}
}

// OnsetID is the stable name of one onset of one alarm: it is the same from
// the departure from NORM until NORM again, across restarts and re-sends.
func OnsetID(k Key, seq uint64) string {
	return string(k.Alarm) + "/" + k.Subject + "/" + strconv.FormatUint(seq, 10)
}
