package alert

import (
	"time"

	"dewline/sensors"
)

// TimeOff takes in that nobody watched for so long, which running time did not
// count. Who was told before had that time to answer and could not: what nobody
// answered rings anew, and goes to the next person if it was their turn, as soon
// as a first look may have ended it.
func (d *Desk) TimeOff(now sensors.Instant, off time.Duration) Effects {
	d.begin(now)
	for _, in := range d.incidents() {
		if in.drill() {
			in.Opened -= off
			in.touched = true
			continue
		}
		for _, p := range in.Out {
			if p.Deadline > 0 {
				p.Deadline, in.touched = max(1, p.Deadline-off), true
			}
		}
		if _, _, ok := in.unanswered(); ok && !in.Ended {
			d.ringAfter(in, off)
		}
	}
	return d.finish()
}

// ringAfter begins the repeats anew after a time off and lets it count for the
// next person's turn.
func (d *Desk) ringAfter(in *incident, off time.Duration) {
	now, told := d.now.Mono, false
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; calls(m) && m.Heard {
			m.ToldAt -= off
			told = true
		}
	}
	if told {
		in.LevelAt = max(in.LevelAt-off, now+d.opt.Group-d.opt.People[in.Level].EscalateAfter)
	}
	in.Ringing, in.Repeated, in.touched = now, 0, true
	in.NextRepeat = now + d.opt.Group
}
