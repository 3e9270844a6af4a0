package alert

import (
	"time"

	"dewline/sensors"
)

// TimeOff takes in that nobody watched for off, at a running time that stood still
// meanwhile. Who was told before had that time to answer and could not: what
// nobody answered rings anew, and goes to the next person if it was their turn, as
// soon as a first look may have ended it. What was told since goes on as it does.
func (d *Desk) TimeOff(now sensors.Instant, at, off time.Duration) Effects {
	d.begin(now)
	for _, in := range d.incidents() {
		if in.aside() {
			if in.Opened <= at {
				in.Opened, in.touched = in.Opened-off, true
			}
			continue
		}
		for _, p := range in.Out {
			if p.Deadline > 0 && p.Deadline <= at+d.opt.Keep {
				p.Deadline, in.touched = max(1, p.Deadline-off), true
			}
		}
		if first, _, ok := in.unanswered(); ok && !in.Ended && first <= at {
			d.ringAfter(in, at, off)
		}
	}
	return d.finish()
}

// ringAfter begins the repeats anew after a time off and lets it count for the
// next person's turn.
func (d *Desk) ringAfter(in *incident, at, off time.Duration) {
	now, heard := d.now.Mono, false
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; calls(m) && m.Heard && m.ToldAt <= at {
			m.ToldAt -= off
			heard = true
		}
	}
	if heard && in.LevelAt <= at {
		in.LevelAt = max(in.LevelAt-off, now+d.opt.Group-d.opt.People[in.Level].EscalateAfter)
	}
	in.Ringing, in.Repeated, in.touched = now, 0, true
	in.NextRepeat = now + d.opt.Group
}
