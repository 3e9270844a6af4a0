package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
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

type pastRow struct {
	*alarm.Past
	Where, Link string
}

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
		{"A day", unit.Number(float64(k.PerDay), 1), false},
		{"Busiest day", strconv.FormatUint(k.BusiestDay, 10), false},
	}
	if k.Acknowledged > 0 {
		out = append(out, fact{"Acknowledged after", words.Span(k.MeanAcknowledge.D()) + " on average", false})
	}
	if k.LongestUnacked > 0 {
		out = append(out, fact{"Waiting longest", words.Span(k.LongestUnacked.D()), true})
	}
	return out
}

// pastRows lists the alarms of the last days that are over, newest first.
func (s overviews) pastRows(snap *alert.Snapshot) ([]pastRow, error) {
	rec := s.o.Record()
	if rec == nil {
		return nil, errNoRecord
	}
	all, err := onsets(rec, snap, snap.At.Wall.Add(-pastFor), func(alarm.Key) bool { return true })
	var out []pastRow
	for _, o := range slices.Backward(all) {
		if !o.To.IsZero() && len(out) < 200 {
			out = append(out, pastRow{o, subjectName(o.Key.Subject, snap), linkOf(o.Key.Subject, snap)})
		}
	}
	return out, err
}

func (s *site) card(v *alert.NoticeView, snap *alert.Snapshot) noticeCard {
	c := noticeCard{
		ID: v.Notice.ID, Title: v.Message.Title, First: numbered(v.Message.FirstAction), Class: v.Notice.Priority.String(),
		Since: s.when(v.Notice.Since, snap.At.Wall), Told: strings.Join(v.Told, ", "), AckedBy: v.Notice.AckedBy,
		Sign: signOf(v.Notice.Priority), Version: v.Notice.Version,
	}
	u := scaleOf(s.o.Config())
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
		f.Value = valueNow(m, snap)
		l := memberLine{Name: cmp.Or(m.Name, m.Key.Subject), Text: f.Brief(u), Since: s.when(m.Since.Wall, snap.At.Wall)}
		if slices.ContainsFunc(snap.Enclosures, func(e rules.EnclosureView) bool { return e.ID == m.Key.Subject }) {
			l.ID = m.Key.Subject
		}
		c.Lines = append(c.Lines, l)
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

// numbered takes "1 this. 2 that." apart into steps; other text stays one.
func numbered(text string) []string {
	if text == "" {
		return nil
	}
	rest, ok := strings.CutPrefix(text, "1 ")
	if !ok {
		return []string{text}
	}
	var out []string
	for n := 2; ; n++ {
		step, more, found := strings.Cut(rest, fmt.Sprintf(" %d ", n))
		out = append(out, words.Capital(step))
		if !found {
			return out
		}
		rest = more
	}
}

func (s *site) alarmCard(a *rules.AlarmView, snap *alert.Snapshot, u unit.Scale) alarmCard {
	c := alarmCard{
		Alarm: string(a.Key.Alarm), Subject: a.Key.Subject, Seq: a.Seq, Title: title(a, snap, u),
		Class: a.Priority.String(), Sign: signOf(a.Priority), State: stateText(a), Text: words.Sentence(&a.Onset, u),
		Since: s.when(a.Since.Wall, snap.At.Wall), At: s.when(a.Since.Wall.Add(a.Detail.For), snap.At.Wall), First: numbered(words.FirstAction(&a.Detail, u)),
		Link: linkOf(a.Key.Subject, snap),
		Ack:  a.State.Unanswered(), Reset: a.State == alarm.LatchAck,
		Unshelve: a.State == alarm.Shelved, Service: a.State == alarm.OutOfService,
	}
	if !a.Active || !a.State.Annunciated() {
		c.Class = "over"
	}
	if a.State.Over() {
		c.Since = "" // the onset's may have passed to a later, too short one
		c.State = "over since " + s.when(snap.At.Wall.Add(-a.OverFor), snap.At.Wall) + strings.TrimPrefix(c.State, "over")
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

func title(a *rules.AlarmView, snap *alert.Snapshot, u unit.Scale) string {
	text := subjectName(a.Key.Subject, snap) + ": " + words.HeadlineOf(a.Key)
	f := words.Figure{Alarm: a.Key.Alarm, Value: a.Value, Limit: a.Limit, HasLimit: a.HasLimit, Unit: a.Unit}
	if v := f.Headline(u); v != "" && a.HasValue && a.State.Annunciated() {
		text += ", " + v
	}
	return text
}

func subjectName(subject string, snap *alert.Snapshot) string {
	for i := range snap.Enclosures {
		if snap.Enclosures[i].ID == subject {
			return cmp.Or(snap.Enclosures[i].Name, subject)
		}
	}
	switch subject {
	case rules.Self, alarm.Secrets, alarm.Broker:
		return "dewline"
	case snap.Room:
		return cmp.Or(snap.RoomName, snap.Room)
	}
	return subject
}

// linkOf leads to the enclosure that a subject is or belongs to.
func linkOf(subject string, snap *alert.Snapshot) string {
	for i := range snap.Enclosures {
		if snap.Enclosures[i].ID == subject {
			return "/enclosure/" + subject
		}
	}
	for i := range snap.Probes {
		if snap.Probes[i].ID == subject && snap.Probes[i].Enclosure != "" {
			return "/enclosure/" + snap.Probes[i].Enclosure + "#probes"
		}
	}
	return ""
}

// A noticeCard is an open notice.
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

type memberLine struct{ ID, Name, Text, Since string }

// An alarmCard is one alarm that is not normal, with what may be done.
type alarmCard struct {
	Alarm, Subject, Title, Class, Sign string
	Seq                                uint64
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
