// Package wire holds every JSON document that leaves dewline: what the API
// answers, what the retained topics carry and what replay prints. A document
// is made from a snapshot by a plain function; nothing is estimated here.
//
// Names carry their unit (_c, _pct, _pa, _seconds, _minutes). Times are RFC
// 3339 and absent where the board's clock was not set; spans are whole
// seconds. A measured temperature or humidity keeps the two decimals of the
// record, what is worked out from it is rounded to what a probe can know. What
// is not known is absent, a list without entries is [].
//
// The notice itself is alert.Message, whose form phones depend on. The inward
// documents, alert.Command and the correction of a calibration, stay with
// those who judge them.
package wire

import (
	"math"
	"time"

	"dewline/alert"
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
	return given(true, round(*v))
}

// given is v where there is one.
func given[T any](has bool, v T) *T {
	if !has {
		return nil
	}
	return &v
}

func exact(v float64) float64 { return v }

// seconds is a span in whole seconds.
func seconds(d time.Duration) int64 { return int64(d.Round(time.Second) / time.Second) }

// maybeSeconds is seconds where there is a span.
func maybeSeconds(d *time.Duration) *int64 {
	if d == nil {
		return nil
	}
	return given(true, seconds(*d))
}

// wall is a moment on a clock that was set, zero for none.
func wall(at sensors.Instant) time.Time {
	if !at.Synced {
		return time.Time{}
	}
	return at.Wall.Round(time.Second)
}

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

// A Span is the minutes in which an event is expected, or that something wins.
type Span struct {
	FromMinutes float64 `json:"from_minutes"`
	ToMinutes   float64 `json:"to_minutes"`
}

func spanOf(r *alarm.Range) *Span {
	if r == nil {
		return nil
	}
	return &Span{FromMinutes: math.Round(r.FromMinutes), ToMinutes: math.Round(r.ToMinutes)}
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
