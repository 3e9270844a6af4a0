package daemon

import (
	"fmt"
	"sync/atomic"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// lossShown is how long record-incomplete stays after the last loss: what comes
// and goes every few minutes is one story.
const lossShown = 10 * time.Minute

// lost counts what could not be kept on record since the start: readings, and
// lines of the journal. Anybody may count.
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

// lostReadings and lostLines count, and have the core look at once.
func (rc *record) lostReadings(n uint64) { rc.lost.readings.Add(n); rc.nudge() }
func (rc *record) lostLines(n uint64)    { rc.lost.lines.Add(n); rc.nudge() }

// watchLosses raises record-incomplete with the first loss, and ends it once
// nothing was lost for a while; the journal then says how much it was.
func (l *loop) watchLosses(now sensors.Instant) {
	w := &l.losses
	switch all := l.record.lost.all(); {
	case all != w.seen:
		begins := w.since.IsZero()
		w.seen, w.last = all, now
		if begins {
			w.since = now
			l.showRecord(now)
		}
	case !w.since.IsZero() && now.Sub(w.last) >= lossShown:
		text := fmt.Sprintf("%d readings or lines of the journal were lost", all-w.told)
		l.log.Warn("the record has room again", "what", text, "from", w.since.Wall, "to", w.last.Wall)
		l.record.rec.Put(nil, []event.Event{core.RecordEvent(now, text,
			fmt.Sprintf("no room from %s to %s", w.since.Wall.Format(time.RFC3339), w.last.Wall.Format(time.RFC3339)))})
		w.since, w.told = sensors.Instant{}, all
		l.showRecord(now)
	}
}

// showRecord raises or ends record-incomplete by how the record is.
func (l *loop) showRecord(now sensors.Instant) {
	if l.stuck {
		l.setRecordAlarm(now, false, cardHangs)
		return
	}
	h := l.record.recording.Load()
	l.setRecordAlarm(now, h.ok, h.why)
}
