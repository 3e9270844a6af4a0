package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

const (
	kpiDays   = 30
	Day       = 24 * time.Hour
	floodSpan = 10 * time.Minute
	floodMany = 10 // more than so many in ten minutes begin a flood (EEMUA 191)
	floodFew  = 5  // fewer end it
	// StaleAfter is how long an alarm is active before it is stale (ISA-18.2, clause 16).
	StaleAfter = Day
	// chatterPolls: three raises a minute cannot happen at a poll of seconds,
	// so chattering is counted in polls.
	chatterPolls = 20
)

// quickReturn is how soon after clearing a raise counts as the same trouble.
const quickReturn = 2 * time.Hour

// Load is what the self-measures remember of the whole system.
type Load struct {
	Day       int64                 `json:"day"`  // running day of Days[0]
	Days      [kpiDays]uint32       `json:"days"` // raises a day, newest first
	Priority  [alarm.Wake + 1]int64 `json:"priority"`
	Recent    [16]time.Duration     `json:"recent"` // running times of the last raises, newest first
	NumRecent int                   `json:"num_recent"`
	InFlood   bool                  `json:"in_flood"`
	FloodAt   time.Duration         `json:"flood_at"`
	Floods    uint64                `json:"floods"`
	FloodTime time.Duration         `json:"flood_time"`
}

// turn moves the days on to the running time.
func (l *Load) turn(now time.Duration) {
	today := int64(now / Day)
	for shift := min(today-l.Day, kpiDays); shift > 0; shift-- {
		copy(l.Days[1:], l.Days[:])
		l.Days[0] = 0
	}
	l.Day = max(l.Day, today)
}

// Raised notes a new alarm.
func (l *Load) Raised(now time.Duration, p alarm.Priority) {
	l.turn(now)
	l.Days[0]++
	l.Priority[p]++
	copy(l.Recent[1:], l.Recent[:])
	l.Recent[0] = now
	l.NumRecent = min(l.NumRecent+1, len(l.Recent))
	l.Pass(now)
}

// within counts the raises of the last span.
func (l *Load) within(now, span time.Duration) int {
	n := 0
	for _, at := range l.Recent[:l.NumRecent] {
		if now-at <= span {
			n++
		}
	}
	return n
}

// Pass lets time pass for whether more alarms come than a person can take in.
func (l *Load) Pass(now time.Duration) {
	n := l.within(now, floodSpan)
	switch {
	case !l.InFlood && n > floodMany:
		l.InFlood, l.FloodAt = true, now
		l.Floods++
	case l.InFlood && n < floodFew:
		l.InFlood = false
		l.FloodTime += now - l.FloodAt
	}
}

// CountRaise notes a new raise of an alarm that ended at ended, zero for never.
func CountRaise(st *room.Stats, now, ended, chatter time.Duration) {
	st.Raised++
	if ended > 0 && now-ended <= quickReturn {
		st.Quick++
		st.Returned(room.Return{After: now - ended, Far: st.Far})
	}
	copy(st.Raises[1:], st.Raises[:])
	st.Raises[0] = now
	if n := len(st.Raises); st.Raised >= uint64(n) && now-st.Raises[n-1] <= chatter {
		st.Chattered++
	}
}

// ChatterSpan is how close together as many raises as Stats keeps are chatter.
func ChatterSpan(cfg *configs.Config) time.Duration {
	return max(chatterPolls*cfg.Room.Poll.D(), time.Minute)
}
