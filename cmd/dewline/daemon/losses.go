package daemon

import (
	"sync/atomic"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// lost counts what could not be kept on record since the start. Anybody may count.
type lost struct{ readings, lines atomic.Uint64 }

func (l *lost) all() uint64 { return l.readings.Load() + l.lines.Load() }

// A lossWatch follows the count.
type lossWatch struct {
	seen        uint64          // of all, at the last look
	told        uint64          // of all, when the last loss was over
	since, last sensors.Instant // of the loss that is going on; since is zero for none
}

// fact says since when something is being lost, false for nothing.
func (l *lossWatch) fact(loc *time.Location) (alarm.Fact, bool) {
	at := alarm.LocalTime(l.since.Wall.In(loc).Format(alarm.LocalLayout))
	return alarm.Fact{ID: alarm.FactRecordLost, At: at}, !l.since.IsZero()
}

var cardHangs = alarm.Fact{ID: alarm.FactRecordSlow}
