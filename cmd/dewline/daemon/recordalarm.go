package daemon

import (
	"fmt"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/rules/event"
	"dewline/sensors"
)

// watchCard tells of a write that hangs, which reports no error.
func (l *loop) watchCard(real time.Time) {
	stuck := l.record.rec.Stuck(real)
	if stuck == l.stuck {
		return
	}
	l.stuck = stuck
	l.showRecord(l.now())
}

// lossShown makes one story of what comes and goes every few minutes.
const lossShown = 10 * time.Minute

// watchLosses raises record-incomplete with the first loss, and ends it once
// nothing was lost for a while; the journal then says how much it was.
func (l *loop) watchLosses(now sensors.Instant) {
	w := &l.losses
	switch all := l.record.lost.Load(); {
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

// showRecord raises or ends record-incomplete by how the record is. One that was begun
// anew is given what is open once it can be written.
func (l *loop) showRecord(now sensors.Instant) {
	if anew := l.record.replaced.Load(); anew != nil && !l.stuck && l.record.recording.Load().ok && l.record.replaced.CompareAndSwap(anew, nil) {
		l.keepAll(core.RecordEvent(now, "begun anew", *anew))
	}
	ok, why := l.recordIs()
	l.apply(l.core.RecordIncomplete(now, ok, why))
}

// keepAll is for a record that could not be written from the start.
func (l *loop) keepAll(entry event.Event) {
	all, err := l.core.All()
	if err != nil {
		l.log.Error("the open alarms cannot be kept", "err", err)
	}
	l.record.rec.Put(all, []event.Event{entry})
}
