package rules

import (
	"time"

	"dewline/configs"
	"dewline/sensors"
)

const dayMinutes = 24 * 60

// lampSet is a photoperiod as of the present minute.
type lampSet struct {
	cfg   configs.Lamps
	known bool // the clock is set
	on    bool
	edge  time.Duration // since the last switch
	// coming are the next switches, as spans from the last forecast.
	coming    [8]time.Duration
	numComing int
}

// mistSet is a misting schedule.
type mistSet struct {
	cfg configs.Mist
	st  MistState
}

// MistState is where a misting schedule stands.
type MistState struct {
	Next time.Time       `json:"next"` // wall time of the next pulse
	Seen sensors.Instant `json:"seen"` // last look at the clock
}

// readLamps works out which lamps are on. It depends on the minute alone, so a
// restart within it changes nothing.
func (e *Engine) readLamps(now sensors.Instant) {
	e.turn++
	local := now.Wall.Truncate(time.Minute).In(e.loc)
	e.hourNow = -1
	if now.Synced {
		e.hourNow = float64(local.Hour()) + float64(local.Minute())/60
	}
	for i := range e.lamps {
		e.lamps[i].read(local, now.Synced)
	}
}

// read takes the minute that local begins, if the clock is set.
func (l *lampSet) read(local time.Time, synced bool) {
	if l.known = synced; !synced {
		return
	}
	l.on = l.cfg.IsOn(local, local.Location())
	minute := local.Hour()*60 + local.Minute()
	since := min(sinceClock(minute, l.cfg.On.From), sinceClock(minute, l.cfg.On.To))
	l.edge = time.Duration(since) * time.Minute
}

func sinceClock(minute int, t configs.ClockTime) int {
	return ((minute-int(t))%dayMinutes + dayMinutes) % dayMinutes
}

// readComing fills the switches of the next six hours.
func (l *lampSet) readComing(now sensors.Instant, loc *time.Location) {
	l.numComing = 0
	t := now.Wall
	for range l.coming {
		t = l.cfg.NextChange(t, loc)
		if t.IsZero() || t.Sub(now.Wall) > 6*time.Hour {
			return
		}
		l.coming[l.numComing] = t.Sub(now.Wall)
		l.numComing++
	}
}

// hour is the local hour of day, negative while the clock is unset.
func (e *Engine) hour(now sensors.Instant) float64 {
	if now == e.seen {
		return e.hourNow
	}
	if !now.Synced {
		return -1
	}
	t := now.Wall.In(e.loc)
	return float64(t.Hour()) + float64(t.Minute())/60
}

// settleFor is how long must have been watched before a mist can be missed.
const settleFor = 5 * time.Minute

// dueMists notes the scheduled mists that have become due. Where the clock
// was set or stepped, the schedule starts anew: a pulse that may or may not
// have been due is not judged.
func (e *Engine) dueMists(now sensors.Instant) {
	for i := range e.mists {
		m := &e.mists[i]
		if !now.Synced {
			m.st = MistState{}
			continue
		}
		last := m.st.Seen
		m.st.Seen = now
		drift := now.Wall.Sub(last.Wall) - now.Sub(last)
		if last.IsZero() || m.st.Next.IsZero() || drift.Abs() > 90*time.Second {
			m.st.Next = m.cfg.Next(now.Wall, e.loc)
			continue
		}
		if m.st.Next.IsZero() || now.Wall.Before(m.st.Next) {
			continue
		}
		due := now.Mono - now.Wall.Sub(m.st.Next)
		m.st.Next = m.cfg.Next(now.Wall, e.loc)
		if due-e.watched < settleFor {
			continue // nobody knows what the air was like before
		}
		for j := range e.encls {
			if en := &e.encls[j]; en.mist == i {
				en.st.Watch.Expect(e.estAt(due))
				en.st.DueAt, en.st.HasDue = due, true
			}
		}
	}
}
