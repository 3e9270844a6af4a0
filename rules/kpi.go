package rules

import "time"

// Stats are an alarm's own self-measures.
type Stats struct {
	Raised   uint64        `json:"raised,omitempty"`
	Acked    uint64        `json:"acked,omitempty"`
	AckTotal time.Duration `json:"ack_total,omitempty"`
	AckMax   time.Duration `json:"ack_max,omitempty"`
	// Raises are the running times of the last ones, newest first.
	Raises    [3]time.Duration `json:"raises"`
	Chattered uint64           `json:"chattered,omitempty"` // times that it was chattering when raised
	UnackAt   time.Duration    `json:"unack_at,omitempty"`
}

// A KPI holds the self-measures of ISA-18.2 clause 16 over the last 30 days of
// running time.
type KPI struct {
	Days            int              `json:"days"` // observed, at most 30
	Alarms          uint64           `json:"alarms"`
	PerDay          float64          `json:"per_day"`
	BusiestDay      uint64           `json:"busiest_day"`
	ByPriority      map[string]int64 `json:"by_priority"`
	Worst           []KPIItem        `json:"worst"`      // ten most frequent, most first
	Chattering      []KPIItem        `json:"chattering"` // three raises within twenty polls
	Stale           []KPIItem        `json:"stale"`      // active for more than 24 h
	Floods          uint64           `json:"floods"`     // more than 10 in 10 min
	InFlood         bool             `json:"in_flood"`
	FloodTime       time.Duration    `json:"flood_time"`
	Acknowledged    uint64           `json:"acknowledged"`
	MeanAcknowledge time.Duration    `json:"mean_acknowledge"`
	MaxAcknowledge  time.Duration    `json:"max_acknowledge"`
	Unacknowledged  int              `json:"unacknowledged"`
	LongestUnacked  time.Duration    `json:"longest_unacknowledged"`
	LongestActive   time.Duration    `json:"longest_active"`
	Shelved         int              `json:"shelved"`
	OutOfService    int              `json:"out_of_service"`
	Unknown         int              `json:"unknown"` // open alarms that cannot be evaluated
}

// A KPIItem is one alarm in a list of self-measures.
type KPIItem struct {
	Key    Key           `json:"key"`
	Count  uint64        `json:"count"`
	Active time.Duration `json:"active,omitempty"`
	// Suggestion is what would have avoided some of them; empty for none.
	Suggestion string `json:"suggestion,omitempty"`
}
