package wire

import (
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

// Measures are the self-measures of ISA-18.2 clause 16: how many alarms over
// the last 30 days of running time, as they stand now, and the rest for as long
// as the alarms' records go back.
type Measures struct {
	Days            int              `json:"days"` // observed, at most 30: for the next three
	Alarms          uint64           `json:"alarms"`
	PerDay          float64          `json:"per_day"`
	BusiestDay      uint64           `json:"busiest_day"`
	ByPriority      map[string]int64 `json:"by_priority"`
	MostFrequent    []MeasuredAlarm  `json:"most_frequent"`
	Chattering      []MeasuredAlarm  `json:"chattering"`
	Stale           []MeasuredAlarm  `json:"stale"` // active for more than 24 h
	Floods          uint64           `json:"floods"`
	InFlood         bool             `json:"in_flood"`
	FloodTime       int64            `json:"flood_seconds"`
	Acknowledged    uint64           `json:"acknowledged"`
	MeanAcknowledge int64            `json:"mean_acknowledge_seconds"`
	MaxAcknowledge  int64            `json:"max_acknowledge_seconds"`
	Unacknowledged  int              `json:"unacknowledged"`
	LongestUnacked  int64            `json:"longest_unacknowledged_seconds"`
	LongestActive   int64            `json:"longest_active_seconds"`
	Shelved         int              `json:"shelved"`
	OutOfService    int              `json:"out_of_service"`
	Unknown         int              `json:"unknown"` // open alarms that cannot be evaluated
}

// A MeasuredAlarm is one alarm in a list of self-measures.
type MeasuredAlarm struct {
	Alarm      alarm.ID `json:"alarm"`
	Subject    string   `json:"subject"`
	Count      uint64   `json:"count"`
	Active     int64    `json:"active_seconds,omitempty"`
	Suggestion string   `json:"suggestion,omitempty"` // what would have avoided some of them
}

// MeasuresOf makes the document of the self-measures.
func MeasuresOf(k *rules.KPI) Measures {
	item := func(i *rules.KPIItem) MeasuredAlarm {
		return MeasuredAlarm{Alarm: i.Key.Alarm, Subject: i.Key.Subject, Count: i.Count, Active: seconds(i.Active), Suggestion: words.Fact(i.Suggestion, unit.Celsius)}
	}
	m := Measures{
		Days: k.Days, Alarms: k.Alarms, PerDay: hundredth(k.PerDay), BusiestDay: k.BusiestDay, ByPriority: k.ByPriority,
		MostFrequent: listOf(k.Worst, item), Chattering: listOf(k.Chattering, item), Stale: listOf(k.Stale, item),
		Floods: k.Floods, InFlood: k.InFlood, FloodTime: seconds(k.FloodTime), Acknowledged: k.Acknowledged,
		MeanAcknowledge: seconds(k.MeanAcknowledge), MaxAcknowledge: seconds(k.MaxAcknowledge), Unacknowledged: k.Unacknowledged,
		LongestUnacked: seconds(k.LongestUnacked), LongestActive: seconds(k.LongestActive),
		Shelved: k.Shelved, OutOfService: k.OutOfService, Unknown: k.Unknown,
	}
	if m.ByPriority == nil {
		m.ByPriority = map[string]int64{}
	}
	return m
}
