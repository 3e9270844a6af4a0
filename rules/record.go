package rules

import (
	"encoding/json"
	"strconv"
	"strings"

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

// Given is what came with a Condition.
type Given struct {
	Is       alarm.Fact   `json:"is,omitzero"`
	Evidence []alarm.Fact `json:"evidence,omitempty"`
	Steps    []alarm.Step `json:"steps,omitempty"`
}

// UnmarshalJSON also reads the sentences of an older record.
func (g *Given) UnmarshalJSON(data []byte) error {
	type plain Given
	var old struct {
		plain
		Text string `json:"text"`
	}
	if err := json.Unmarshal(data, &old); err != nil {
		return err
	}
	if *g = Given(old.plain); old.Text != "" {
		g.Is = alarm.Fact{ID: alarm.FactSaid, Note: strings.TrimSuffix(old.Text, ".")}
	}
	return nil
}

// OnsetID is the stable name of one onset of one alarm: it is the same from
// the departure from NORM until NORM again, across restarts and re-sends.
func OnsetID(k Key, seq uint64) string {
	return string(k.Alarm) + "/" + k.Subject + "/" + strconv.FormatUint(seq, 10)
}
