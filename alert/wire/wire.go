// Package wire makes the JSON documents that leave dewline: what the API
// answers, what the retained topics carry and what replay prints. What the views of
// package rules show leaves as it stands there; what only a document needs is here. A
// document is made from a snapshot by a plain function; nothing is estimated here.
//
// Names carry their unit (_c, _pct, _pa, _seconds, _minutes). Times are RFC
// 3339 and absent where the board's clock was not set; spans are whole
// seconds. A measured temperature or humidity keeps the two decimals of the
// record, what is worked out from it is rounded to what a probe can know. What
// is not known is absent, a list without entries is []. A text in a document is in °C as
// its numbers are; only a message that is sent to a person is in that person's units.
//
// The notice itself is alert.Message, whose form phones depend on. The inward
// documents, alert.Command and the correction of a calibration, stay with
// those who judge them.
package wire

import (
	"math"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// hundredth and tenth round to so many parts of one.
func hundredth(v float64) float64 { return math.Round(v*100) / 100 }
func tenth(v float64) float64     { return math.Round(v*10) / 10 }

// known applies round where there is a value that JSON can carry.
func known(v *float64, round func(float64) float64) *float64 {
	if v == nil || math.IsNaN(*v) || math.IsInf(*v, 0) {
		return nil
	}
	return rules.Given(true, round(*v))
}

func exact(v float64) float64 { return v }

// list returns s, and for nil an empty list.
func list[T any](s []T) []T {
	if s == nil {
		return []T{}
	}
	return s
}

func listOf[T, D any](s []T, convert func(*T) D) []D {
	out := make([]D, len(s))
	for i := range s {
		out[i] = convert(&s[i])
	}
	return out
}

// A Reply answers a request that changes something, and every one refused. Its id is
// of the request, or of what it began.
type Reply = alert.Reply

// Health is whether the daemon watches.
type Health struct {
	OK       bool   `json:"ok"`
	Sampling bool   `json:"sampling_and_rules"` // rounds of them go on
	Record   bool   `json:"record"`             // the last commit worked
	Note     string `json:"note,omitempty"`
}

// SummarySent says to how many people the summary of a week was mailed.
type SummarySent struct {
	Week string `json:"week"`
	Sent int    `json:"sent"`
}

// An Alarm is one alarm that is not normal: the retained document of its topic
// and an entry of the API.
type Alarm struct {
	Instance string         `json:"instance,omitempty"` // of the board that tells of it, on its topic
	Onset    string         `json:"onset"`              // names this rise of the alarm, across restarts
	Alarm    alarm.ID       `json:"alarm"`
	Subject  string         `json:"subject"` // enclosure, probe, channel or "dewline"
	Seq      uint64         `json:"seq"`     // counts the onsets of this alarm
	State    alarm.State    `json:"state"`   // of IEC 62682: UNACK, ACKED, RTNUN, SHLVD…
	Active   bool           `json:"active"`  // the condition holds, whatever the state
	Unknown  bool           `json:"unknown"` // it cannot be evaluated at present
	Priority alarm.Priority `json:"priority"`
	Cause    alarm.Cause    `json:"cause"`
	Value    *float64       `json:"value,omitempty"`
	Limit    *float64       `json:"limit,omitempty"`
	Unit     string         `json:"unit,omitempty"`     // of value and limit
	Furthest *Furthest      `json:"furthest,omitempty"` // since then
	Since    rules.Moment   `json:"since,omitzero"`     // when the condition began, before any delay; absent while the clock was not set
	For      rules.Seconds  `json:"for_seconds"`        // since the onset
	OverFor  rules.Seconds  `json:"over_for_seconds,omitzero"`
	AckedBy  string         `json:"acknowledged_by,omitempty"`
	// PutAway is the rest of a shelf or of being out of service.
	PutAway rules.Seconds `json:"put_away_for_seconds,omitzero"`
	Text    string        `json:"text" jsonschema:"for people; temperatures in °C, as the numbers of the document"`
	// TextAge is how long ago Text was said: value and evidence may be newer.
	TextAge rules.Seconds `json:"text_age_seconds,omitzero"`
	Detail
}

// Furthest is the value that lay furthest past the limit of its time: the limits of day
// and night differ, and one that wakes comes before any other.
type Furthest struct {
	Value float64      `json:"value"`
	Limit float64      `json:"limit"`
	Time  rules.Moment `json:"time,omitzero"`
}

// furthestOf is that of an alarm that is a value against a limit, nil for any other.
func furthestOf(o *alarm.Onset, round func(float64) float64) *Furthest {
	row, _ := alarm.Find(o.Key.Alarm)
	if o.Peak == nil || !row.AtLimit {
		return nil
	}
	return &Furthest{round(o.Peak.Value), round(o.Peak.Limit), rules.Moment{Instant: o.Peak.At}}
}

// Detail is what a person needs beside the value. Temperatures are those of
// the hottest place.
type Detail struct {
	Temperature  *float64     `json:"temperature_c,omitempty"`
	Lethal       *float64     `json:"lethal_limit_c,omitempty"`
	Rate         *float64     `json:"rate_c_per_hour,omitempty"`
	ToLethal     *alarm.Range `json:"time_to_lethal_limit,omitempty"`
	LampsOffGain *alarm.Range `json:"lamps_off_gain,omitempty"`
	FirstAction  string       `json:"first_action,omitempty"`
	Evidence     []string     `json:"evidence"`
	Excused      []string     `json:"excused"`
	NotKnown     []string     `json:"not_known"`
}

func detailOf(d *alarm.Detail) Detail {
	out := Detail{
		ToLethal: d.TimeToLethal, LampsOffGain: d.LampsOffGain, FirstAction: words.FirstAction(d, unit.Celsius),
		Evidence: words.Facts(d.Evidence, unit.Celsius), Excused: words.Facts(d.Excused, unit.Celsius), NotKnown: words.Facts(d.Unknown, unit.Celsius),
	}
	if d.Temperature != 0 {
		out.Temperature, out.Lethal = known(&d.Temperature, hundredth), known(&d.Lethal, hundredth)
	}
	if d.HasRate {
		out.Rate = known(&d.RatePerHour, tenth)
	}
	return out
}

// AlarmOf makes the document of an alarm as it stands at now.
func AlarmOf(v *rules.AlarmView, now sensors.Instant) Alarm {
	return Alarm{
		Onset: v.ID(), Alarm: v.Key.Alarm, Subject: v.Key.Subject, Seq: v.Seq, State: v.State, Active: v.Active, Unknown: v.Unknown,
		Priority: v.Priority, Cause: v.Cause, Value: known(rules.Given(v.HasValue, v.Value), hundredth), Limit: known(rules.Given(v.HasLimit, v.Limit), hundredth), Unit: v.Unit,
		Furthest: furthestOf(&v.Onset, hundredth), Since: rules.Moment{Instant: v.Since}, For: rules.Seconds(max(now.Sub(v.Since), 0)), OverFor: rules.Seconds(v.OverFor), AckedBy: v.AckedBy,
		PutAway: rules.Seconds(max(v.ShelfLeft, 0)), Text: words.Sentence(&v.Onset, unit.Celsius), Detail: detailOf(&v.Detail),
		TextAge: rules.Seconds(max(now.Sub(v.Since)-v.Detail.For, 0)),
	}
}

// A Transition is one step of one alarm's life as `dewline replay` prints it.
// From equals To where only what is known about an open alarm changed. Value
// and Limit are null where there is none.
type Transition struct {
	Time     time.Time      `json:"time"`
	Alarm    alarm.ID       `json:"alarm"`
	Cause    alarm.Cause    `json:"cause"`
	Subject  string         `json:"subject"`
	Seq      uint64         `json:"seq"` // counts the onsets of this alarm
	From     string         `json:"from"`
	To       string         `json:"to"`
	Priority alarm.Priority `json:"priority"`
	Value    *float64       `json:"value"`
	Limit    *float64       `json:"limit"`
	Unit     string         `json:"unit"`
	Furthest *Furthest      `json:"furthest,omitempty"`
	Text     string         `json:"text" jsonschema:"for people; temperatures in °C, as the numbers of the document"`
}

// TransitionOf makes the document of a transition. Nothing is rounded: a replay is
// for comparing.
func TransitionOf(t *rules.Transition) Transition {
	return Transition{
		Time: t.At.Wall, Alarm: t.Key.Alarm, Cause: t.Cause, Subject: t.Key.Subject, Seq: t.Seq,
		From: t.From.String(), To: t.To.String(), Priority: t.Priority,
		Value: known(rules.Given(t.HasValue, t.Value), exact), Limit: known(rules.Given(t.HasLimit, t.Limit), exact), Unit: t.Unit, Furthest: furthestOf(&t.Onset, exact), Text: words.Sentence(&t.Onset, unit.Celsius),
	}
}
