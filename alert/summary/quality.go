package summary

import (
	"cmp"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// What counts in the self-measures of the alarms. Floods: more than 10 alarms
// in 10 minutes begin one, fewer than 5 end it (EEMUA 191). Stale: active for
// more than 24 h (ISA-18.2, clause 16). Chattering is three onsets within
// twenty polls, since three in a minute cannot happen at a poll of seconds.
const (
	floodSpan    = 10 * time.Minute
	floodMany    = 10
	floodFew     = 5
	staleAfter   = 24 * time.Hour
	chatterPolls = 20
	chatterTimes = 3
	topMany      = 5
)

// nightHours are those in which a wake alarm costs sleep.
var nightHours = configs.ClockSpan{From: 22 * 60, To: 7 * 60}

// quality works out how the alarms themselves did.
func (b *builder) quality() {
	q := Quality{ByPriority: map[string]int{"note": 0, "today": 0, "wake": 0}, Chattering: []string{}, Stale: []string{}, Top: []Count{}}
	var raised []*onset
	four := 0
	for _, o := range b.onsets {
		if !o.From.Before(b.report.To.Add(-lookBack)) {
			four++
		}
		if !o.From.Before(b.prev.From()) && o.From.Before(b.report.From) {
			q.Before++
		}
		if b.during(o) {
			b.countLasting(&q, o)
		}
		if !o.From.Before(b.report.From) {
			raised = append(raised, o)
		}
	}
	q.countRaised(b, raised)
	b.suggest(q.Top)
	q.PerDay = float64(q.Count) / b.days(b.report.From)
	q.FourWeeks = float64(four) / b.days(b.report.To.Add(-lookBack))
	q.Chattering = chattering(raised, max(chatterPolls*b.cfg.Room.Poll.D(), time.Minute))
	q.Floods = floods(raised)
	b.countNotices(&q)
	b.report.Alarms = q
	b.report.Others = b.roomAlarms()
}

// days is how many days of the journal lie between from and the end.
func (b *builder) days(from time.Time) float64 {
	if b.began.After(from) {
		from = b.began
	}
	return max(b.report.Until.Sub(from).Hours()/24, 1)
}

// countLasting counts what any alarm that touched the week did in it.
func (b *builder) countLasting(q *Quality, o *onset) {
	end := o.To
	if end.IsZero() {
		end = b.report.Until
	}
	active := end.Sub(o.From)
	if active > staleAfter && o.Priority > rules.Note {
		q.Stale = append(q.Stale, rules.OnsetID(o.key, 0))
	}
	q.Longest = max(q.Longest, active.Minutes())
	if o.Shelved {
		q.Shelved++
	}
	wait := o.longest
	if o.waits && o.To.IsZero() {
		wait = max(wait, active-max(o.waitsFrom-o.raised, 0))
	}
	q.LongestWait = max(q.LongestWait, wait.Minutes())
}

// countRaised counts the alarms that began in the week.
func (q *Quality) countRaised(b *builder, raised []*onset) {
	perDay, perKey := map[string]int{}, map[rules.Key]int{}
	total := 0.0
	for _, o := range raised {
		q.Count++
		q.ByPriority[o.Priority.String()]++
		perKey[o.key]++
		day := o.From.Format(time.DateOnly)
		perDay[day]++
		q.BusiestDay = max(q.BusiestDay, perDay[day])
		if o.Priority == rules.Wake {
			q.Wakes++
			if nightHours.Covers(o.From, b.loc) {
				q.Nightly++
			}
		}
		if o.hasAck {
			q.Acked++
			total += o.AckedIn
			q.AckMax = max(q.AckMax, o.AckedIn)
		} else if o.Priority > rules.Note {
			q.Unacked++
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
	var records []rules.Record
	for doc, err := range b.rec.Docs(store.BucketAlarms) {
		var r rules.Record
		if err == nil {
			err = json.Unmarshal(doc.Value, &r)
		}
		if err != nil {
			b.fault("what is kept of the alarms", err)
			continue
		}
		records = append(records, r)
	}
	e := rules.New(b.cfg)
	e.Restore(nil, records, sensors.Instant{Wall: b.now})
	for i := range top {
		if c := &top[i]; c.N > 1 {
			c.Suggestion = e.Suggestion(rules.Key{Alarm: c.Alarm, Subject: c.Subject})
		}
	}
}

// chattering names the alarms that came at least three times within span.
func chattering(raised []*onset, span time.Duration) []string {
	last := map[rules.Key][]time.Duration{}
	out := []string{}
	for _, o := range raised {
		at := append(last[o.key], o.raised)
		last[o.key] = at
		n := len(at)
		if id := rules.OnsetID(o.key, 0); n >= chatterTimes && at[n-1]-at[n-chatterTimes] <= span && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

// floods counts the times at which more alarms came than a person can take in.
func floods(raised []*onset) int {
	n, in, first := 0, false, 0
	for i, o := range raised {
		for raised[first].raised < o.raised-floodSpan {
			first++
		}
		switch many := i - first + 1; {
		case !in && many > floodMany:
			in = true
			n++
		case in && many < floodFew:
			in = false
		}
	}
	return n
}

// countNotices counts what people received.
func (b *builder) countNotices(q *Quality) {
	for _, e := range b.events {
		n, ok := e.Body.(event.Notice)
		if !ok || e.At.Wall.Before(b.report.From) || strings.HasPrefix(n.Notice, "drill/") {
			continue
		}
		switch n.What {
		case "raised":
			q.Notices++
		case "escalated":
			q.Escalated++
		}
	}
}

// roomAlarms lists the alarms of the week that belong to no enclosure.
func (b *builder) roomAlarms() []Excursion {
	mine := map[string]bool{}
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		mine[e.ID] = true
		for _, p := range e.Probes {
			mine[p.ID] = true
		}
	}
	out := []Excursion{}
	for _, o := range b.onsets {
		if b.during(o) && !mine[o.Subject] {
			out = append(out, o.Excursion)
		}
	}
	return out
}
