package rules

import (
	"strconv"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Transition is one step of one alarm's life. From equals To where only what
// is known about an open alarm changed (priority, cause, value, detail).
type Transition struct {
	At       sensors.Instant `json:"at"`
	Key      alarm.Key       `json:"key"`
	Seq      uint64          `json:"seq"` // of the onset: the same until the alarm is NORM again
	From     alarm.State     `json:"from"`
	To       alarm.State     `json:"to"`
	Priority alarm.Priority  `json:"priority"`
	Cause    alarm.Cause     `json:"cause"`
	Value    float64         `json:"value"`
	HasValue bool            `json:"has_value"`
	Limit    float64         `json:"limit"`
	HasLimit bool            `json:"has_limit"`
	Unit     string          `json:"unit"` // "°C", "%", "min", "s", "d", "" — of Value and Limit
	Since    sensors.Instant `json:"since"`
	By       string          `json:"by,omitempty"` // who acted, for acknowledge, shelve and the like
	Why      string          `json:"why,omitempty"`
	Text     string          `json:"text,omitempty"` // words from outside the rules; the rules give facts in Detail
	Detail   alarm.Detail    `json:"detail"`
}

// Said is what words are made of.
func (t *Transition) Said() alarm.Said {
	return alarm.Said{Key: t.Key, Cause: t.Cause, HasValue: t.HasValue, HasLimit: t.HasLimit,
		Unit: t.Unit, Text: t.Text, Detail: &t.Detail}
}

// OnsetID is the stable name of one onset of one alarm: it is the same from
// the departure from NORM until NORM again, across restarts and re-sends.
func OnsetID(k alarm.Key, seq uint64) string {
	return string(k.Alarm) + "/" + k.Subject + "/" + strconv.FormatUint(seq, 10)
}
