package rules

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// A KPI holds the self-measures of ISA-18.2 clause 16: how many alarms over the
// last 30 days of running time, as they stand now, and the rest for as long as
// the alarms' records go back.
type KPI struct {
	KPIDays
	Worst      []KPIItem // ten most frequent, most first
	Chattering []KPIItem // three raises within twenty polls
	Stale      []KPIItem // active for more than 24 h
	KPIWork
}

// A KPIDays is how many alarms there were, by day and by priority.
type KPIDays struct {
	Days       int              `json:"days"` // observed, at most 30: for the next three
	Alarms     uint64           `json:"alarms"`
	PerDay     Hundredth        `json:"per_day"`
	BusiestDay uint64           `json:"busiest_day"`
	ByPriority map[string]int64 `json:"by_priority"`
}

// A KPIWork is how much the alarms ask of people.
type KPIWork struct {
	Floods          uint64  `json:"floods"` // more than 10 in 10 min
	InFlood         bool    `json:"in_flood"`
	FloodTime       Seconds `json:"flood_seconds"`
	Acknowledged    uint64  `json:"acknowledged"`
	MeanAcknowledge Seconds `json:"mean_acknowledge_seconds"`
	MaxAcknowledge  Seconds `json:"max_acknowledge_seconds"`
	Unacknowledged  int     `json:"unacknowledged"`
	LongestUnacked  Seconds `json:"longest_unacknowledged_seconds"`
	LongestActive   Seconds `json:"longest_active_seconds"`
	Shelved         int     `json:"shelved"`
	OutOfService    int     `json:"out_of_service"`
	Unknown         int     `json:"unknown"` // open alarms that cannot be evaluated
}

// A KPIItem is one alarm in a list of self-measures.
type KPIItem struct {
	alarm.Key
	Count  uint64  `json:"count"`
	Active Seconds `json:"active_seconds,omitzero"`
	// Suggestion is what would have avoided some of them; zero for nothing.
	Suggestion alarm.Fact `json:"-"`
}

// KPI returns the alarm system's self-measures.
func (e *Engine) KPI() KPI {
	now := e.v.Latest.Mono
	l := e.lives.load
	l.turn(now)
	k := KPI{
		KPIDays: KPIDays{Days: int(min(now/Day, kpiDays-1)) + 1, ByPriority: map[string]int64{}},
		KPIWork: KPIWork{Floods: l.Floods, InFlood: l.InFlood, FloodTime: Seconds(l.FloodTime)},
	}
	for _, n := range l.Days {
		k.Alarms += uint64(n)
		k.BusiestDay = max(k.BusiestDay, uint64(n))
	}
	k.PerDay = Hundredth(k.Alarms) / Hundredth(k.Days)
	for p := alarm.Note; p <= alarm.Wake; p++ {
		k.ByPriority[p.String()] = l.Priority[p]
	}
	if l.InFlood {
		k.FloodTime += Seconds(now - l.FloodAt)
	}
	e.lives.each(func(s *room.Alarm) { k.add(e, s, now) })
	byCount := func(a, b KPIItem) int {
		if c := cmp.Compare(b.Count, a.Count); c != 0 {
			return c
		}
		return strings.Compare(alarm.OnsetID(a.Key, 0), alarm.OnsetID(b.Key, 0))
	}
	slices.SortFunc(k.Worst, byCount)
	slices.SortFunc(k.Chattering, byCount)
	k.Worst = k.Worst[:min(len(k.Worst), 10)]
	if k.Acknowledged > 0 {
		k.MeanAcknowledge /= Seconds(k.Acknowledged)
	}
	return k
}

func (k *KPI) add(e *Engine, s *room.Alarm, now time.Duration) {
	st, l := s.Rec.Measured(), &s.Rec.Life
	active := time.Duration(0)
	if l.Active {
		active = now - l.Since.Mono
	}
	item := KPIItem{Key: s.Rec.Key, Count: st.Raised, Active: Seconds(active)}
	if st.Raised > 0 {
		item.Suggestion = e.lives.suggest(s)
		k.Worst = append(k.Worst, item)
	}
	if st.Chattered > 0 {
		item.Count = st.Chattered
		k.Chattering = append(k.Chattering, item)
	}
	k.Acknowledged += st.Acked
	k.MeanAcknowledge += Seconds(st.AckTotal) // the sum, until the end
	k.MaxAcknowledge = max(k.MaxAcknowledge, Seconds(st.AckMax))
	k.LongestActive = max(k.LongestActive, Seconds(active))
	switch {
	case l.State.Unanswered():
		k.Unacknowledged++
		k.LongestUnacked = max(k.LongestUnacked, Seconds(now-st.UnackAt))
	case l.State == alarm.Shelved:
		k.Shelved++
	case l.State == alarm.OutOfService:
		k.OutOfService++
	}
	if l.State.Annunciated() && active > StaleAfter {
		k.Stale = append(k.Stale, item)
	}
	if l.Unknown {
		k.Unknown++
	}
}

// Suggestion is what would have avoided some of an alarm's raises; zero for
// nothing.
func (e *Engine) Suggestion(k alarm.Key) (f alarm.Fact) {
	e.lives.each(func(s *room.Alarm) {
		if s.Rec.Key == k {
			f = e.lives.suggest(s)
		}
	})
	return f
}

// suggest says which wider deadband or longer off-delay would have joined an
// alarm's quick returns, four in five of them at least, into one. It says
// nothing where neither would without becoming absurd.
func (ls *lives) suggest(s *room.Alarm) alarm.Fact {
	st := s.Rec.Measured()
	latest := st.Latest()
	n := len(latest)
	if n < 3 {
		return alarm.Fact{}
	}
	var far []float64
	var after []time.Duration
	for _, r := range latest {
		far, after = append(far, r.Far), append(after, r.After)
	}
	slices.Sort(far)
	slices.Sort(after)
	at := (4*n+4)/5 - 1
	if row := s.Kind.Row(); row.Deadband != nil {
		dead := row.Deadband(ls.v.Cfg.Rules)
		want := math.Ceil((far[at]+0.01)*10) / 10
		if dead > 0 && want > dead && want <= 4*dead {
			if row.Value == alarm.Humidity {
				return alarm.Fact{ID: alarm.FactDeadbandHumidity, Percent: want, Usual: dead, Count: at + 1, Of: n}
			}
			return alarm.Fact{ID: alarm.FactDeadband, Delta: unit.TemperatureDelta(want), Others: unit.TemperatureDelta(dead), Count: at + 1, Of: n}
		}
	}
	off := ls.specs[s.Kind][s.Rec.Priority].OffDelay
	want := off + after[at].Truncate(time.Minute) + time.Minute
	if want <= time.Hour {
		return alarm.Fact{ID: alarm.FactOffDelay, For: want, Count: at + 1, Of: n}
	}
	return alarm.Fact{}
}
