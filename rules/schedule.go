package rules

import (
	"time"

	"dewline/configs"
	"dewline/sensors"
)

const dayMinutes = 24 * 60

// lampSet is a photoperiod as of the present minute.
type Lamps struct {
	Cfg   configs.Lamps
	Known bool // the clock is set
	On    bool
	Edge  time.Duration // since the last switch
	// coming are the next switches, as spans from the last forecast.
	coming    [8]time.Duration
	numComing int
}

// mistSet is a misting schedule.
type Mist struct {
	Cfg configs.Mist
	St  MistState
}

// MistState is where a misting schedule stands.
type MistState struct {
	Next time.Time       `json:"next"` // wall time of the next pulse
	Seen sensors.Instant `json:"seen"` // last look at the clock
}

// readLamps works out which lamps are on. It depends on the minute alone, so a
// restart within it changes nothing.
func (v *View) ReadLamps(now sensors.Instant) {
	v.Turn++
	local := now.Wall.Truncate(time.Minute).In(v.Loc)
	v.hourNow = -1
	if now.Synced {
		v.hourNow = float64(local.Hour()) + float64(local.Minute())/60
	}
	for i := range v.Lamps {
		v.Lamps[i].read(local, now.Synced)
	}
}

// read takes the minute that local begins, if the clock is set.
func (l *Lamps) read(local time.Time, synced bool) {
	if l.Known = synced; !synced {
		return
	}
	l.On = l.Cfg.IsOn(local, local.Location())
	minute := local.Hour()*60 + local.Minute()
	since := min(sinceClock(minute, l.Cfg.On.From), sinceClock(minute, l.Cfg.On.To))
	l.Edge = time.Duration(since) * time.Minute
}

func sinceClock(minute int, t configs.ClockTime) int {
	return ((minute-int(t))%dayMinutes + dayMinutes) % dayMinutes
}

// readComing fills the switches of the next six hours.
func (l *Lamps) Coming(now sensors.Instant, loc *time.Location) {
	l.numComing = 0
	t := now.Wall
	for range l.coming {
		t = l.Cfg.NextChange(t, loc)
		if t.IsZero() || t.Sub(now.Wall) > 6*time.Hour {
			return
		}
		l.coming[l.numComing] = t.Sub(now.Wall)
		l.numComing++
	}
}

// hour is the local hour of day, negative while the clock is unset.
func (v *View) Hour(now sensors.Instant) float64 {
	if now == v.At {
		return v.hourNow
	}
	if !now.Synced {
		return -1
	}
	t := now.Wall.In(v.Loc)
	return float64(t.Hour()) + float64(t.Minute())/60
}

// settleFor is how long must have been watched before a mist can be missed.
const settleFor = 5 * time.Minute

// dueMists notes the scheduled mists that have become due. Where the clock
// was set or stepped, the schedule starts anew: a pulse that may or may not
// have been due is not judged.
func (l mistLook) dueMists(now sensors.Instant) {
	for i := range l.v.Mists {
		m := &l.v.Mists[i]
		if !now.Synced {
			m.St = MistState{}
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
