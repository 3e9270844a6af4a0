package summary

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
)

const topMany = 5

// nightHours are those in which a wake alarm costs sleep.
var nightHours = configs.ClockSpan{From: 22 * 60, To: 7 * 60}

func (b *builder) quality() {
	q := Quality{ByPriority: map[string]int{"note": 0, "today": 0, "wake": 0}}
	var raised []*Excursion
	four := 0
	for _, o := range b.onsets {
		if !o.raised.Before(b.report.To.Add(-lookBack)) {
			four++
		}
		if !o.raised.Before(b.prev.From()) && o.raised.Before(b.report.From) {
			q.Before++
		}
		if b.during(o) {
			b.countLasting(&q, o)
		}
		if !o.raised.Before(b.report.From) {
			raised = append(raised, o)
		}
		if o.To.IsZero() && o.Priority > alarm.Note {
			b.report.open = append(b.report.open, alarm.OnsetID(o.past.Key, 0))
		}
		if b.during(o) && !b.owned[o.Subject] {
			b.report.Others = append(b.report.Others, *o)
		}
	}
	q.countRaised(b.loc, raised)
	b.suggest(q.Top)
	q.PerDay = float64(q.Count) / b.days(b.report.From)
	q.FourWeeks = float64(four) / b.days(b.report.To.Add(-lookBack))
	q.Chattering = chattering(raised, rules.ChatterSpan(b.cfg))
	q.Floods = floods(raised)
	b.countNotices(&q)
	b.report.Alarms = q
}

// days is how many days of the journal lie between from and the end.
func (b *builder) days(from time.Time) float64 {
	return max(b.report.Until.Sub(later(from, b.began)).Hours()/24, 1)
}

// countLasting counts what any alarm that touched the week did in it.
func (b *builder) countLasting(q *Quality, o *Excursion) {
	end := o.To
	if end.IsZero() {
		end = b.report.Until
	}
	active := end.Sub(o.From)
	if active > rules.StaleAfter && o.Priority > alarm.Note {
		q.Stale = append(q.Stale, alarm.OnsetID(o.past.Key, 0))
	}
	q.Longest = max(q.Longest, active.Minutes())
	if o.Shelved {
		q.Shelved++
	}
	wait := o.past.Longest
	if !o.past.Waits.IsZero() && o.To.IsZero() {
		wait = max(wait, active-max(o.past.Waits.Sub(o.past.From), 0))
	}
	q.LongestWait = max(q.LongestWait, wait.Minutes())
}

func (q *Quality) countRaised(loc *time.Location, raised []*Excursion) {
	perDay, perKey := map[string]int{}, map[alarm.Key]int{}
	total := 0.0
	for _, o := range raised {
		q.Count++
		q.ByPriority[o.Priority.String()]++
		perKey[o.past.Key]++
		day := o.raised.Format(time.DateOnly)
		perDay[day]++
		q.BusiestDay = max(q.BusiestDay, perDay[day])
		if o.Priority == alarm.Wake {
			q.Wakes++
			if nightHours.Covers(o.raised, loc) {
				q.Nightly++
			}
		}
		if !o.past.Answered.IsZero() {
			q.Acked++
			total += o.AckedIn
			q.AckMax = max(q.AckMax, o.AckedIn)
		} else if o.Priority > alarm.Note {
			q.Unacked++
		}
		if o.Priority == alarm.Wake && o.past.Answered.IsZero() && !o.Shelved {
			q.unheard++
		}
	}
	if q.Acked > 0 {
		q.AckMean = total / float64(q.Acked)
	}
	for k, n := range perKey {
		q.Top = append(q.Top, Count{Alarm: k.Alarm, Subject: k.Subject, N: n})
	}
	slices.SortFunc(q.Top, func(x, y Count) int {
		return cmp.Or(cmp.Compare(y.N, x.N), strings.Compare(string(x.Alarm), string(y.Alarm)), strings.Compare(x.Subject, y.Subject))
	})
	q.Top = q.Top[:min(len(q.Top), topMany)]
}

// suggest adds what the rules' own measures say would have kept frequent alarms
// quiet.
func (b *builder) suggest(top []Count) {
	if len(top) == 0 || top[0].N < 2 {
		return
	}
	e := rules.New(b.cfg)
	e.Restore(nil, b.kept, sensors.Instant{Wall: b.now})
	for i := range top {
		if c := &top[i]; c.N > 1 {
			c.Suggestion = e.Suggestion(alarm.Key{Alarm: c.Alarm, Subject: c.Subject})
			c.Suggested = words.Fact(c.Suggestion, unit.Celsius)
		}
	}
}

// chattering names the alarms that came as close together as the rules call chatter.
func chattering(raised []*Excursion, span time.Duration) []string {
	all := map[alarm.Key]*room.Stats{}
	var out []string
	for _, o := range raised {
		st := all[o.past.Key]
		if st == nil {
			st = &room.Stats{}
			all[o.past.Key] = st
		}
		had := st.Chattered
		if rules.CountRaise(st, o.past.Raised.Mono, 0, span); had == 0 && st.Chattered > 0 {
			out = append(out, alarm.OnsetID(o.past.Key, 0))
		}
	}
	return out
}

// floods counts the times at which more alarms came than a person can take in.
func floods(raised []*Excursion) int {
	var l rules.Load
	for _, o := range raised {
		l.Pass(o.past.Raised.Mono) // what came before may be over
		l.Raised(o.past.Raised.Mono, o.Priority)
	}
	return int(l.Floods)
}

func (b *builder) countNotices(q *Quality) {
	for _, e := range b.events {
		n, ok := e.Body.(event.Notice)
		if !ok || e.At.Wall.Before(b.report.From) || strings.HasPrefix(n.Notice, "drill/") || strings.HasPrefix(n.Notice, "silence/") {
			continue
		}
		switch n.What {
		case event.NoticeRaised:
			q.Notices++
		case event.NoticeEscalated:
			q.Escalated++
		}
	}
}
