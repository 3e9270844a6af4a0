package heat

import (
	"time"

	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

// How often a dose is told: while it grows, once it stopped, and while it is left.
const (
	doseGrows = time.Hour
	doseEnds  = 10 * time.Minute
	doseLeft  = 24 * time.Hour
)

// doseFact tells of the dose: what is left, and what was added.
func (l look) doseFact(en *room.Enclosure, now sensors.Instant, share float64) {
	d, t := &en.St.Dose, &en.St.DoseTold
	if t.At == 0 { // what there is from before was told, or never was
		*t = room.DoseTold{At: max(now.Mono, 1), Hours: d.DegreeHours, Unseen: d.Unknown, Share: share, Warned: t.Warned}
	}
	if d.DegreeHours < t.Hours || d.Unknown < t.Unseen { // it was forgotten, and may have begun anew
		t.Hours, t.Unseen = 0, 0
	}
	t.Peak = max(t.Peak, share)
	since := now.Mono - t.At
	grew := d.DegreeHours > t.Hours || d.Unknown > t.Unseen
	cool := float64(en.Now.Hot)/100 < en.DoseLimits.Boundary
	switch {
	case grew && since >= doseGrows, grew && cool && since >= doseEnds:
	case share > 0 && since >= doseLeft, share == 0 && t.Share > 0:
	default:
		return
	}
	l.out.Tell(now, event.Dose{Enclosure: en.Cfg.ID, Share: share, Peak: t.Peak, DegreeHours: d.DegreeHours - t.Hours, Unseen: (d.Unknown - t.Unseen).Seconds()})
	*t = room.DoseTold{At: now.Mono, Hours: d.DegreeHours, Unseen: d.Unknown, Share: share, Warned: t.Warned}
}
