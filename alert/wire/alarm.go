package wire

import (
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

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
	Unit     string         `json:"unit,omitempty"` // of value and limit
	Since    time.Time      `json:"since,omitzero"` // absent while the clock was not set
	For      int64          `json:"for_seconds"`    // since the onset
	OverFor  int64          `json:"over_for_seconds,omitempty"`
	AckedBy  string         `json:"acknowledged_by,omitempty"`
	// PutAway is the rest of a shelf or of being out of service.
	PutAway int64  `json:"put_away_for_seconds,omitempty"`
	Text    string `json:"text"`
	Detail
}

// Detail is what a person needs beside the value. Temperatures are those of
// the hottest place.
type Detail struct {
	Temperature  *float64 `json:"temperature_c,omitempty"`
	Lethal       *float64 `json:"lethal_limit_c,omitempty"`
	Rate         *float64 `json:"rate_c_per_hour,omitempty"`
	ToLethal     *Span    `json:"time_to_lethal_limit,omitempty"`
	LampsOffGain *Span    `json:"lamps_off_gain,omitempty"`
	FirstAction  string   `json:"first_action,omitempty"`
	Evidence     []string `json:"evidence"`
	Excused      []string `json:"excused"`
	NotKnown     []string `json:"not_known"`
}

func detailOf(d *alarm.Detail) Detail {
	out := Detail{
		ToLethal: spanOf(d.TimeToLethal), LampsOffGain: spanOf(d.LampsOffGain), FirstAction: words.FirstAction(d, unit.Celsius),
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
		Onset: v.ID, Alarm: v.Key.Alarm, Subject: v.Key.Subject, Seq: v.Seq, State: v.State, Active: v.Active, Unknown: v.Unknown,
		Priority: v.Priority, Cause: v.Cause, Value: known(given(v.HasValue, v.Value), hundredth), Limit: known(given(v.HasLimit, v.Limit), hundredth), Unit: v.Unit,
		Since: wall(v.Since), For: max(seconds(now.Sub(v.Since)), 0), OverFor: seconds(v.OverFor), AckedBy: v.AckedBy,
		PutAway: max(seconds(v.ShelfLeft), 0), Text: words.Sentence(v.Said(), unit.Celsius), Detail: detailOf(&v.Detail),
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
	Text     string         `json:"text"`
}

// TransitionOf makes the document of a transition. Nothing is rounded: a replay is
// for comparing.
func TransitionOf(t *rules.Transition) Transition {
	return Transition{
		Time: t.At.Wall, Alarm: t.Key.Alarm, Cause: t.Cause, Subject: t.Key.Subject, Seq: t.Seq,
		From: t.From.String(), To: t.To.String(), Priority: t.Priority,
		Value: known(given(t.HasValue, t.Value), exact), Limit: known(given(t.HasLimit, t.Limit), exact), Unit: t.Unit, Text: words.Sentence(t.Said(), unit.Celsius),
	}
}
