package rules

import (
	"strconv"

	"dewline/rules/alarm"
)

// A Record is the persisted form of one alarm: its life and what was last said
// about it. It survives a JSON round trip unchanged.
type Record struct {
	Key      Key          `json:"key"`
	Life     alarm.Record `json:"life"`
	Priority Priority     `json:"priority"`
	Cause    Cause        `json:"cause"`
	Value    float64      `json:"value"`
	HasValue bool         `json:"has_value"`
	Limit    float64      `json:"limit"`
	HasLimit bool         `json:"has_limit"`
	Unit     string       `json:"unit,omitempty"`
	Text     string       `json:"text,omitempty"` // of an older version, until it is said anew
	Detail   Detail       `json:"detail"`
	// Peak is the value furthest beyond the limit since the last raise.
	Peak float64 `json:"peak,omitempty"`
	// AckedBy is who acknowledged the present onset.
	AckedBy string `json:"acked_by,omitempty"`
	Stats   Stats  `json:"stats"`
	// Severe is how long the limit that makes a band alarm urgent has been
	// passed; nil for other alarms.
	Severe *alarm.Record `json:"severe,omitempty"`
	// Given is what a Condition of dewline itself came with.
	Given Given `json:"given,omitzero"`
}

// Given is the wording that came with a Condition.
type Given struct {
	Text        string   `json:"text,omitempty"`
	Evidence    []string `json:"evidence,omitempty"`
	FirstAction string   `json:"first_action,omitempty"`
}

// OnsetID is the stable name of one onset of one alarm: it is the same from
// the departure from NORM until NORM again, across restarts and re-sends.
func OnsetID(k Key, seq uint64) string {
	return string(k.Alarm) + "/" + k.Subject + "/" + strconv.FormatUint(seq, 10)
}
