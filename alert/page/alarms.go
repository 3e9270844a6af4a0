package page

import (
	"cmp"
	"math"
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

type pastRow struct{ When, What, Where, Link, Lasted, By string }

// pastFor is how far back the alarms page goes.
const pastFor = 7 * 24 * time.Hour

func (s *site) alarms(w http.ResponseWriter, r *http.Request) {
	snap, u := s.o.Snapshot(), unitsOf(s.o.Config())
	p := alarmsPage{frame: s.frame(r, "Alarms", "alarms"), Figures: figures(snap.KPI)}
	p.Live = true
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		c := s.alarmCard(a, snap, u)
		switch {
		case putAway(a.State) || a.State == alarm.Suppressed:
			p.Away = append(p.Away, c)
		case isOver(a):
			p.Over = append(p.Over, c)
		default:
			p.Open = append(p.Open, c)
		}
		if isOver(a) && needsAnswer(a.State) {
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

func (s *site) alarmCard(a *rules.AlarmView, snap *alert.Snapshot, u units) alarmCard {
	c := alarmCard{
		Alarm: string(a.Key.Alarm), Subject: a.Key.Subject, Seq: a.Seq, Title: title(a, snap, u),
		Class: a.Priority.String(), Sign: statusToday.Sign, State: stateText(a), Text: words.Sentence(a.Said(), u.scale),
		Since: s.when(a.Since.Wall, snap.At.Wall), At: s.when(a.Since.Wall.Add(a.Detail.For), snap.At.Wall), First: numbered(words.FirstAction(&a.Detail, u.scale)),
		Link: linkOf(a.Key.Subject, snap),
		Ack:  needsAnswer(a.State), Reset: a.State == alarm.LatchAck,
		Unshelve: a.State == alarm.Shelved, Service: a.State == alarm.OutOfService,
	}
	switch a.Priority {
	case rules.Wake:
		c.Sign = statusWake.Sign
	case rules.Note:
		c.Sign = statusNote.Sign
	}
	if !a.Active || !a.State.Annunciated() {
		c.Class = "over"
	}
	if isOver(a) {
		c.Since = "" // the onset's may have passed to a later, too short one
		c.State = "over since " + s.when(snap.At.Wall.Add(-a.OverFor), snap.At.Wall) + strings.TrimPrefix(c.State, "over")
	}
	for _, e := range words.Facts(a.Detail.Evidence, u.scale) {
		if !strings.Contains(c.Text, e) {
			c.Evidence = append(c.Evidence, e)
		}
	}
	if a.State.Annunciated() && a.Key.Alarm != rules.LethalCeiling { // which the rules would refuse
		c.Shelve = shelves(a.Priority)
	}
	return c
}

// gravest is the least weight of alarms that are told apart by it.
const gravest = 2

// graver orders what wakes and what is over by what it means for the animals;
// the rest stays behind it in the order of the rules.
func graver(c *alarmCard) int {
	if c.Class != rules.Wake.String() && c.Class != "over" {
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
func shelves(p rules.Priority) []choice {
	var out []choice
	for _, c := range []choice{{15, "15 min"}, {60, "1 h"}, {240, "4 h"}, {720, "12 h"}, {1440, "1 day"}, {10080, "7 days"}} {
		if time.Duration(c.Minutes)*time.Minute <= alarm.MaxShelf(p) {
			out = append(out, c)
		}
	}
	return out
}

// title names the alarm, what it is about and its value.
func title(a *rules.AlarmView, snap *alert.Snapshot, u units) string {
	text := subjectName(a.Key.Subject, snap) + ": " + words.HeadlineOf(a.Key)
	f := words.Figure{Alarm: a.Key.Alarm, Value: a.Value, Limit: a.Limit, HasLimit: a.HasLimit, Unit: a.Unit}
	if v := f.Headline(u.scale); v != "" && a.HasValue && a.State.Annunciated() {
		text += ", " + v
	}
	return text
}

func subjectName(subject string, snap *alert.Snapshot) string {
	for i := range snap.Enclosures {
		if snap.Enclosures[i].ID == subject {
			return nameOf(subject, snap.Enclosures[i].Name)
		}
	}
	switch subject {
	case rules.Self, alarm.Secrets:
		return "dewline"
	case snap.Room:
		return nameOf(snap.Room, snap.RoomName)
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

// pastRows lists the alarms of the last days that are over, newest first.
func (s *site) pastRows(snap *alert.Snapshot) ([]pastRow, error) {
	rec := s.o.Record()
	if rec == nil {
		return nil, errNoRecord
	}
	now := snap.At.Wall
	all, err := onsets(rec, snap, now.Add(-pastFor), func(rules.Key) bool { return true })
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

// act carries out what a form asks for.
func (s *site) act(w http.ResponseWriter, r *http.Request) {
	c, lacks := commandOf(r)
	if lacks != "" {
		s.say(w, r, http.StatusUnprocessableEntity, lacks)
		return
	}
	c.By = s.sessions.of(r).by
	was := s.o.Snapshot()
	reply := s.o.Command(r.Context(), c)
	if !reply.OK {
		s.say(w, r, http.StatusConflict, "Nothing was done: "+reply.Error+".")
		return
	}
	if reply.Note != "" {
		s.say(w, r, http.StatusOK, "Note: "+reply.Note+".")
		return
	}
	s.settle(r, was)
	http.Redirect(w, r, withSaid(ownPath(r.PostFormValue("back")), c.Action), http.StatusSeeOther)
}

// settleFor is the longest that an answer waits for the next snapshot.
const settleFor = 1500 * time.Millisecond

// settle waits until a snapshot is there that is newer than was and so knows of
// what was just done, so that the next page shows it.
func (s *site) settle(r *http.Request, was *alert.Snapshot) {
	ticker, end := time.NewTicker(20*time.Millisecond), time.After(settleFor)
	defer ticker.Stop()
	for s.o.Snapshot() == was {
		select {
		case <-ticker.C:
		case <-end:
			return
		case <-r.Context().Done():
			return
		}
	}
}

// withSaid adds what was done to an address of this site.
func withSaid(path, what string) string {
	path, _, _ = strings.Cut(path, "#")
	base, query, _ := strings.Cut(path, "?")
	var kept []string
	for _, part := range strings.Split(query, "&") {
		if part != "" && !strings.HasPrefix(part, "said=") {
			kept = append(kept, part)
		}
	}
	return base + "?" + strings.Join(append(kept, "said="+what), "&")
}

// What a form may lack, for the keeper.
const (
	noSuchAction = "The form asks for something that does not exist."
	noSuchAlarm  = "The form does not name an alarm of this room."
	noSuchNotice = "The form does not name a notice of this room."
	noLength     = "Choose for how long."
	noReason     = "Say why: whoever comes next has to know."
)

// commandOf reads a form strictly, and says what it lacks.
func commandOf(r *http.Request) (c alert.Command, lacks string) {
	c = alert.Command{
		Action: r.PostFormValue("action"), Alarm: r.PostFormValue("alarm"), Subject: r.PostFormValue("subject"),
		Notice: r.PostFormValue("notice"), Why: line(r.PostFormValue("why"), maxWhy),
	}
	if !isID(c.Alarm, true) || !isID(c.Subject, c.Notice != "") || len(c.Notice) > 200 {
		lacks = noSuchAlarm
	}
	if v := r.PostFormValue("version"); v != "" {
		n, err := strconv.ParseUint(v, 10, 31)
		if err != nil || c.Notice == "" {
			lacks = cmp.Or(lacks, noSuchNotice)
		}
		c.Version = int(n)
	}
	if seq := r.PostFormValue("seq"); seq != "" {
		n, err := strconv.ParseUint(seq, 10, 64)
		if err != nil {
			lacks = cmp.Or(lacks, noSuchAlarm)
		}
		c.Seq = n
	}
	switch rules.ActionKind(c.Action) {
	case rules.Acknowledge, rules.Unshelve, rules.Reset, rules.ReturnToService:
	case rules.Shelve, rules.TakeOut:
		c.Empty = r.PostFormValue("empty") != "" && c.Action == string(rules.TakeOut)
		lacks = cmp.Or(lacks, term(&c, r.PostFormValue("minutes")))
	default:
		lacks = noSuchAction
	}
	return c, lacks
}

// term reads for how long an alarm is to be put away, which also needs a reason.
func term(c *alert.Command, minutes string) (lacks string) {
	n, err := strconv.ParseFloat(minutes, 64)
	if err != nil || math.IsNaN(n) || n < 1 || n > 30*24*60 {
		return noLength
	}
	if c.Minutes = n; c.Why == "" {
		return noReason
	}
	return ""
}

// isID reports whether s can be an id of the configuration.
func isID(s string, mayBeEmpty bool) bool {
	if s == "" {
		return mayBeEmpty
	}
	return len(s) <= 64 && !strings.ContainsFunc(s, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-'
	})
}
