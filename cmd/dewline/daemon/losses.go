package daemon

import (
	"fmt"
	"sync/atomic"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/sensors"
	"dewline/store"
)

// lossShown is how long record-incomplete stays after the last loss: what comes
// and goes every few minutes is one story.
const lossShown = 10 * time.Minute

// losses counts what could not be kept on record: readings, and lines of the
// journal. Anybody may count; the rest belongs to the core goroutine.
type losses struct {
	readings, lines atomic.Uint64 // since the start

	seen        uint64          // both of them, when the core last looked
	told        uint64          // both of them, when the last loss was over
	since, last sensors.Instant // of the loss that is going on; since is zero for none
}

func (l *losses) all() uint64 { return l.readings.Load() + l.lines.Load() }

// note says what is being lost, empty for nothing.
func (l *losses) note(loc *time.Location) string {
	if l.since.IsZero() {
		return ""
	}
	return "since " + l.since.Wall.In(loc).Format("15:04") + " readings or lines of the journal find no room and are lost"
}

// lostReadings and lostLines count, and have the core look at once.
func (d *Daemon) lostReadings(n uint64) { d.lost(&d.losses.readings, n) }
func (d *Daemon) lostLines(n uint64)    { d.lost(&d.losses.lines, n) }

func (d *Daemon) lost(of *atomic.Uint64, n uint64) {
	of.Add(n)
	d.nudgeHealth()
}

// watchLosses raises record-incomplete with the first loss, and ends it once
// nothing was lost for a while; the journal then says how much it was.
func (d *Daemon) watchLosses(now sensors.Instant) {
	l := &d.losses
	switch all := l.all(); {
	case all != l.seen:
		begins := l.since.IsZero()
		l.seen, l.last = all, now
		if begins {
			l.since = now
			d.showRecord(now)
		}
	case !l.since.IsZero() && now.Sub(l.last) >= lossShown:
		text := fmt.Sprintf("%d readings or lines of the journal were lost", all-l.told)
		d.log.Warn("the record has room again", "what", text, "from", l.since.Wall, "to", l.last.Wall)
		d.rec.Put(nil, []store.JournalEntry{core.RecordEntry(now, text,
			fmt.Sprintf("no room from %s to %s", l.since.Wall.Format(time.RFC3339), l.last.Wall.Format(time.RFC3339)))})
		l.since, l.told = sensors.Instant{}, all
		d.showRecord(now)
	}
}

// showRecord raises or ends record-incomplete by how the record is.
func (d *Daemon) showRecord(now sensors.Instant) {
	if d.stuck {
		d.setRecordAlarm(now, false, cardHangs)
		return
	}
	h := d.recording.Load()
	d.setRecordAlarm(now, h.ok, h.note)
}
