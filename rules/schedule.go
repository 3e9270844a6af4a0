package rules

import (
	"time"

	"dewline/rules/room"
	"dewline/sensors"
)

// settleFor is how long must have been watched before a mist can be missed.
const settleFor = 5 * time.Minute

// dueMists notes the scheduled mists that have become due. Where the clock
// was set or stepped, the schedule starts anew: a pulse that may or may not
// have been due is not judged.
func (l mistLook) dueMists(now sensors.Instant) {
	for i := range l.v.Mists {
		m := &l.v.Mists[i]
		if !now.Synced {
			m.St = room.MistState{}
			continue
		}
		last := m.St.Seen
		m.St.Seen = now
		drift := now.Wall.Sub(last.Wall) - now.Sub(last)
		if last.IsZero() || m.St.Next.IsZero() || drift.Abs() > 90*time.Second {
			m.St.Next = m.Cfg.Next(now.Wall, l.v.Loc)
			continue
		}
		if m.St.Next.IsZero() || now.Wall.Before(m.St.Next) {
			continue
		}
		due := now.Mono - now.Wall.Sub(m.St.Next)
		m.St.Next = m.Cfg.Next(now.Wall, l.v.Loc)
		if due-l.v.Watched < settleFor {
			continue // nobody knows what the air was like before
		}
		for j := range l.v.Enclosures {
			if en := &l.v.Enclosures[j]; en.Mist == i {
				l.At[en.Index].Watch.Expect(l.v.EstAt(due))
				l.At[en.Index].DueAt, l.At[en.Index].HasDue = due, true
			}
		}
	}
}
