package room

import (
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// Local is a time by the room's clock, empty where nobody knows it.
func (v *View) Local(t time.Time, known bool) alarm.LocalTime {
	if !known {
		return ""
	}
	return alarm.LocalTime(t.In(v.Loc).Format(alarm.LocalLayout))
}

// Ago dates a fact about what began or happened a while before now: it is read later.
func (v *View) Ago(f alarm.Fact, now sensors.Instant, span time.Duration) alarm.Fact {
	f.For, f.At = span, v.Local(now.Wall.Add(-span), now.Synced)
	return f
}
