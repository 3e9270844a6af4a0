package page

import (
	"cmp"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
)

type alarmsPage struct {
	frame
	Open, Over, Away []alarmCard
	Acks, Resets     int // of Over, that may be done together
	Past             []*alarm.Past
	Snap             *alert.Snapshot
	Damage           string
}

const pastFor = 7 * 24 * time.Hour

func (s overviews) alarms(w http.ResponseWriter, r *http.Request) {
	snap := s.o.Snapshot()
	p := alarmsPage{frame: s.frame(r, "Alarms", "alarms"), Snap: snap}
	p.Live = true
	for _, a := range snap.Alarms {
		c := p.alarmCard(&a)
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

// pastRows lists the alarms of the last days that are over, newest first.
func (s overviews) pastRows(snap *alert.Snapshot) ([]*alarm.Past, error) {
	rec := s.o.Record()
	if rec == nil {
		return nil, errNoRecord
	}
	all, err := onsets(rec, snap, snap.At.Wall.Add(-pastFor), func(alarm.Key) bool { return true })
	var out []*alarm.Past
	for _, o := range slices.Backward(all) {
		if !o.To.IsZero() && len(out) < 200 {
			out = append(out, o)
		}
	}
	return out, err
}

func (by reader) card(v *alert.NoticeView) noticeCard {
	c := noticeCard{
		ID: v.Notice.ID, Title: v.Message.Title, First: v.Message.Steps, Class: v.Notice.Priority.String(),
		Since: by.When(v.Notice.Since), Told: strings.Join(v.Told, ", "), AckedBy: v.Notice.AckedBy,
		Sign: signOf(v.Notice.Priority), Version: v.Notice.Version,
	}
	seen := map[string]bool{}
	for i := range v.Notice.Members {
		m := &v.Notice.Members[i]
		if !m.Active() || seen[m.Key.Subject] { // the worst of each says enough
			continue
		}
		seen[m.Key.Subject] = true
		if len(c.Lines) == maxLines {
			c.More++
			continue
		}
		f := m.Facts()
		f.Value = valueNow(m, by.snap)
		c.Lines = append(c.Lines, memberLine{by.Link(m.Key.Subject), cmp.Or(m.Name, m.Key.Subject), f.Brief(by.scale), by.When(m.Since.Wall)})
	}
	return c
}

// valueNow is the alarm's present value: the notice has that of its last
// version.
func valueNow(m *alert.Member, snap *alert.Snapshot) float64 {
	for i := range snap.Alarms {
		if a := &snap.Alarms[i]; a.Key == m.Key && a.HasValue {
			return a.Value
		}
	}
	return m.Value
}

func (by reader) alarmCard(a *rules.AlarmView) alarmCard {
	now, u := by.snap.At.Wall, by.scale
	c := alarmCard{
		Alarm: string(a.Key.Alarm), Subject: a.Key.Subject, Seq: a.Seq, Priority: a.Priority, Title: by.title(a),
		Class: a.Priority.String(), Sign: signOf(a.Priority), State: words.Standing(a.State, a.AckedBy, a.ShelfLeft), Text: words.Sentence(&a.Onset, u),
		Since: by.When(a.Since.Wall), At: by.When(a.Since.Wall.Add(a.Detail.For)), First: words.FirstSteps(&a.Detail, u),
		Link: by.Link(a.Key.Subject),
		Ack:  a.State.Unanswered(), Reset: a.State == alarm.LatchAck,
		Unshelve: a.State == alarm.Shelved, Service: a.State == alarm.OutOfService,
	}
	if !a.Active || !a.State.Annunciated() {
		c.Class = "over"
	}
	if a.State.Over() {
		c.Since = "" // the onset's may have passed to a later, too short one
		c.State = "over since " + by.When(now.Add(-a.OverFor)) + strings.TrimPrefix(c.State, "over")
	}
	if a.Unknown {
		c.State += ", cannot be judged at present"
	}
	for _, e := range words.Facts(a.Detail.Evidence, u) {
		if !strings.Contains(c.Text, e) {
			c.Evidence = append(c.Evidence, e)
		}
	}
	if a.State.Annunciated() && a.Key.Alarm != alarm.LethalLimit { // which the rules would refuse
		c.Shelve = shelves(a.Priority)
	}
	return c
}

// gravest is the least weight of alarms that are told apart by it.
const gravest = 2

// graver orders what wakes and what is over by what it means for the animals;
// the rest stays behind it in the order of the rules.
func graver(c *alarmCard) int {
	if c.Class != alarm.Wake.String() && c.Class != "over" {
		return 1
	}
	row, _ := alarm.Find(alarm.ID(c.Alarm))
	return -max(row.Weight, gravest)
}

// once leaves the first action on the first of the cards that share it.
func once(cards []alarmCard) {
	seen := map[string]bool{}
	for i := range cards {
		c := &cards[i]
		key := strings.Join(c.First, " ")
		if seen[key] || c.Class == "over" {
			c.First = nil
		}
		seen[key] = true
	}
}

// shelves offers lengths up to the longest that the priority allows.
func shelves(p alarm.Priority) []choice {
	var out []choice
	for _, c := range []choice{{15, "15 min"}, {60, "1 h"}, {240, "4 h"}, {720, "12 h"}, {1440, "1 day"}, {10080, "7 days"}} {
		if time.Duration(c.Minutes)*time.Minute <= alarm.MaxShelf(p) {
			out = append(out, c)
		}
	}
	return out
}

func (by reader) title(a *rules.AlarmView) string {
	text := by.Subject(a.Key.Subject) + ": " + words.HeadlineOf(a.Key)
	f := words.Figure{Alarm: a.Key.Alarm, Value: a.Value, Limit: a.Limit, HasLimit: a.HasLimit, Unit: a.Unit}
	if v := f.Headline(by.scale); v != "" && a.HasValue && a.State.Annunciated() {
		text += ", " + v
	}
	return text
}

type noticeCard struct {
	ID, Class, Sign, Title string
	First                  []string
	Lines                  []memberLine
	More                   int
	Since, Told            string
	AckedBy                string
	Version                int
}

// maxLines is how many of a notice's members have a line.
const maxLines = 6

type memberLine struct{ Link, Name, Text, Since string }

// An alarmCard is one alarm that is not normal, with what may be done.
type alarmCard struct {
	Alarm, Subject, Title, Class, Sign string
	Seq                                uint64
	Priority                           alarm.Priority
	State, At, Text, Since             string // At is when the text was true
	First                              []string
	Evidence                           []string
	Link                               string
	Ack, Unshelve, Reset, Service      bool
	Shelve                             []choice
}

// A choice is one length of a shelf.
type choice struct {
	Minutes int
	Name    string
}
