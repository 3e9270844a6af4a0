package alert

import (
	"cmp"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Member is one alarm as a notice tells it.
type Member struct {
	Key      alarm.Key      `json:"key"`
	Seq      uint64         `json:"seq"` // of the onset
	Name     string         `json:"name,omitempty"`
	State    alarm.State    `json:"state"`
	Priority alarm.Priority `json:"priority"`
	Value    float64        `json:"value"` // last
	Peak     float64        `json:"peak"`  // furthest past the limit
	// PeakLimit is the limit in force at the peak: that of day and night differ.
	PeakLimit float64         `json:"peak_limit,omitempty"`
	HasValue  bool            `json:"has_value"`
	Limit     float64         `json:"limit"`
	HasLimit  bool            `json:"has_limit"`
	Unit      string          `json:"unit"`
	Since     sensors.Instant `json:"since"`
	Ended     sensors.Instant `json:"ended,omitzero"`
	By        string          `json:"by,omitempty"`   // who acted last
	Gone      bool            `json:"gone,omitempty"` // it ended since the configuration has its subject no more
	Text      string          `json:"text"`
	Detail    alarm.Detail    `json:"detail"`
	// Cause is the alarm's own, which may be narrower than the notice's.
	Cause alarm.Cause `json:"cause,omitzero"`
	Ledger
}

// Active reports whether the condition behind m still holds, as far as a
// person needs to hear of it: put away by a person or by design counts as not.
func (m Member) Active() bool { return m.State == alarm.Unack || m.State == alarm.Acked }

// counts reports whether m is a reason to tell anybody.
func counts(m *Member) bool { return m.Active() && m.Priority > alarm.Note }

// calls reports whether m is a wake alarm that nobody answered.
func calls(m *Member) bool { return counts(m) && m.Priority >= alarm.Wake && !m.Covered }

// memberRank orders urgency: the lethal limit is above every other wake.
func memberRank(m *Member) int {
	if m.Key.Alarm == alarm.LethalLimit {
		return int(alarm.Wake) + 1
	}
	return int(m.Priority)
}

// weight orders alarms of one urgency by what they mean for the animals.
func weight(a alarm.ID) int { row, _ := alarm.Find(a); return row.Weight }

// heat reports whether an alarm is one of heat, which is told by what is left
// until the lethal limit.
func heat(a alarm.ID) bool { row, _ := alarm.Find(a); return row.Heat }

// restart begins a new story under the same onset.
func (m *Member) restart(t *rules.Transition) {
	m.Since, m.Peak, m.HasValue = t.Since, t.Value, false
	m.Ledger = Ledger{}
}

// same reports whether t tells of the onset that m stands for.
func (m *Member) same(t *rules.Transition) bool { return m.Key == t.Key && m.Seq == t.Seq }

// changedBy reports whether t brings m more than drift, which is kept in
// memory: a crash loses no more of it than the rules say again, and the card
// is spared.
func (m *Member) changedBy(t *rules.Transition) bool {
	return !m.same(t) || m.State != t.To || m.Priority != t.Priority || m.Cause != t.Cause || t.By != "" && t.By != m.By
}

// take copies what t says of values, state and words.
func (m *Member) take(t *rules.Transition, name string) {
	if t.HasValue {
		m.measure(t)
	}
	was := m.State
	m.Name, m.State, m.Priority = name, t.To, t.Priority
	m.Limit, m.HasLimit, m.Unit = t.Limit, t.HasLimit, t.Unit
	m.Text, m.Detail, m.Cause = t.Text, t.Detail, t.Cause
	if m.Since.IsZero() {
		m.Since = t.Since // the onset's, whatever later transitions say
	}
	m.Gone = t.To == alarm.Norm && t.Why == alarm.WhyConfig
	switch {
	case m.Active():
		m.Ended = sensors.Instant{}
	case m.Ended.IsZero() || was.PutAway(): // what is only answered or reset later was over before
		m.Ended = t.At
	}
}

// measure takes over a value and remembers the one furthest past the limit of
// its hour, which lies below it where the alarm is one of too little.
func (m *Member) measure(t *rules.Transition) {
	further := (t.Value - t.Limit) - (m.Peak - m.PeakLimit)
	if row, _ := alarm.Find(m.Key.Alarm); row.Low {
		further = -further
	}
	if further > 0 || !m.HasValue {
		m.Peak, m.PeakLimit = t.Value, t.Limit
	}
	m.Value, m.HasValue = t.Value, true
}

// worstFirst puts what is active first, then the more urgent, then what means
// more, then what reaches the lethal limit sooner, then what is further past its
// limit.
func worstFirst(a, b Member) int {
	ca, cb := counts(&a), counts(&b)
	if ca != cb {
		if ca {
			return -1
		}
		return 1
	}
	if c := cmp.Or(cmp.Compare(memberRank(&b), memberRank(&a)), cmp.Compare(weight(b.Key.Alarm), weight(a.Key.Alarm))); c != 0 {
		return c
	}
	ta, tb := a.Detail.TimeToLethal, b.Detail.TimeToLethal
	switch {
	case ta != nil && tb != nil:
		if c := cmp.Compare(ta.FromMinutes, tb.FromMinutes); c != 0 {
			return c
		}
	case ta != nil:
		return -1
	case tb != nil:
		return 1
	}
	if a.Unit == b.Unit {
		if c := cmp.Compare(past(&b), past(&a)); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(a.Key.Subject, b.Key.Subject), cmp.Compare(a.Key.Alarm, b.Key.Alarm))
}

// past is how far m's value lies past its limit, on either side.
func past(m *Member) float64 {
	if !m.HasValue || !m.HasLimit {
		return 0
	}
	return max(m.Value-m.Limit, m.Limit-m.Value)
}
