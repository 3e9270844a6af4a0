package page

import (
	"net/http"
	"slices"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

type alarmsPage struct {
	frame
	Open, Over, Away []alarmCard
	Acks, Resets     int // of Over, that may be done together
	Past             []pastRow
	Figures          []fact
	Damage           string
}

type pastRow struct{ When, What, Where, Link, Lasted, By string }

const pastFor = 7 * 24 * time.Hour

func (s overviews) alarms(w http.ResponseWriter, r *http.Request) {
	snap, u := s.o.Snapshot(), scaleOf(s.o.Config())
	p := alarmsPage{frame: s.frame(r, "Alarms", "alarms"), Figures: figures(snap.KPI)}
	p.Live = true
	for _, a := range snap.Alarms {
		c := s.alarmCard(&a, snap, u)
		switch {
		case a.State.PutAway():
			p.Away = append(p.Away, c)
		case a.State.Over():
			p.Over = append(p.Over, c)
		default:
			p.Open = append(p.Open, c)
		}
		if a.State.Over() && a.State.Unanswered() {
			p.Acks++
		}
		if a.State == alarm.LatchAck {
			p.Resets++
		}
	}
	slices.SortStableFunc(p.Open, func(a, b alarmCard) int { return graver(&a) - graver(&b) })
	slices.SortStableFunc(p.Over, func(a, b alarmCard) int { return graver(&a) - graver(&b) })
	once(p.Open)
	var err error
	p.Past, err = s.pastRows(snap)
	p.Damage = damage(err)
	s.show(w, http.StatusOK, "alarms", &p)
}

func figures(k rules.KPI) []fact {
	out := []fact{
		{"Alarms in " + strconv.Itoa(k.Days) + " d", strconv.FormatUint(k.Alarms, 10), false},
		{"A day", unit.Number(k.PerDay, 1), false},
		{"Busiest day", strconv.FormatUint(k.BusiestDay, 10), false},
	}
	if k.Acknowledged > 0 {
		out = append(out, fact{"Acknowledged after", words.Span(k.MeanAcknowledge) + " on average", false})
	}
	if k.LongestUnacked > 0 {
		out = append(out, fact{"Waiting longest", words.Span(k.LongestUnacked), true})
	}
	return out
}

// pastRows lists the alarms of the last days that are over, newest first.
func (s overviews) pastRows(snap *alert.Snapshot) ([]pastRow, error) {
	rec := s.o.Record()
	if rec == nil {
		return nil, errNoRecord
	}
	now := snap.At.Wall
	all, err := onsets(rec, snap, now.Add(-pastFor), func(alarm.Key) bool { return true })
	var out []pastRow
	for _, o := range slices.Backward(all) {
		if o.To.IsZero() {
			continue
		}
		row := pastRow{
			When: s.when(o.From.Wall, now), What: words.HeadlineOf(o.Key), Where: subjectName(o.Key.Subject, snap),
			Link: linkOf(o.Key.Subject, snap), Lasted: words.Span(o.To.Wall.Sub(o.From.Wall)), By: "nobody",
		}
		if o.By != "" {
			row.By = o.By
		}
		if out = append(out, row); len(out) == 200 {
			break
		}
	}
	return out, err
}
