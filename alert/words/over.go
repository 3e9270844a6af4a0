package words

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// Over tells the whole story in one follow-up, which may be all that arrives.
func (n *Notice) Over(s unit.Scale) (title, text string) {
	worst, subjects := n.furthest(), n.subjects()
	p := "ended-of"
	switch like := n.alike(); {
	case subjects > 1 && like < subjects && plural(worst.Key.Alarm) == enclosures:
		p = "ended-among"
	case subjects > 1:
		p = "ended-in"
	}
	title = say(p, "scope", n.Scope(), "what", HeadlineOf(worst.Key), "n", strconv.Itoa(subjects), "kind", plural(worst.Key.Alarm), "who", n.howMany())
	var b strings.Builder
	b.WriteString(say("from-to", "from", n.From.Format("15:04"), "to", n.To.Format("15:04"), "span", Span(n.Lasted)))
	if worst.HasValue && (worst.Unit == "°C" || worst.Unit == "%") && worst.Key.Alarm != alarm.Exposure {
		peak := worst.Furthest()
		f := Figure{Alarm: worst.Key.Alarm, Value: peak.Value, Limit: peak.Limit, HasLimit: worst.HasLimit, Unit: worst.Unit}.Text(s)
		limit := ""
		if worst.HasLimit {
			limit = say("with-limit", "limit", f.Limit)
		}
		b.WriteString(say("worst-was", "value", f.Value, "limit", limit, "name", worst.called()))
	}
	n.endings(&b)
	if n.AckedBy != "" {
		b.WriteString(say("answered-by", "who", n.AckedBy))
	}
	return say(n.ended(), "what", title), b.String()
}

// furthest is the member that went furthest past its limit, of those that have the
// alarm of the first.
func (n *Notice) furthest() *Member {
	worst := &n.Members[0]
	row, _ := alarm.Find(worst.Key.Alarm)
	for i := range n.Members {
		m := &n.Members[i]
		if m.Key.Alarm != worst.Key.Alarm || !row.AtLimit || !m.HasValue || !m.HasLimit {
			continue
		}
		if m.Furthest().Beyond(worst.Furthest(), row.Low) {
			worst = m
		}
	}
	return worst
}

// ended says whether all is over: what a person put away may go on.
func (n *Notice) ended() string {
	away, gone := 0, 0
	for i := range n.Members {
		switch m := &n.Members[i]; {
		case m.Gone:
			gone++
		case m.State.Annunciated(): // no longer worth a message
			return "ended-milder"
		case m.State.PutAway():
			away++
		}
	}
	switch all := len(n.Members); {
	case away+gone == 0:
		return "ended-all"
	case gone == all:
		return "ended-gone"
	case away == 0:
		return "ended-mixed"
	case away+gone == all:
		return "ended-away"
	default:
		return "ended-or-away"
	}
}

// endings are the lines about alarms that did not simply return to normal; held
// ones are one line together.
func (n *Notice) endings(b *strings.Builder) {
	held := 0
	for i := range n.Members {
		if n.Members[i].State.Kept() {
			held++
		}
	}
	if held > 1 {
		b.WriteString(say("held-together", "n", strconv.Itoa(held)))
	}
	for i := range n.Members[:min(len(n.Members), listed)] {
		m := &n.Members[i]
		if line := m.ending(); line != "" && (held < 2 || !m.State.Kept()) {
			b.WriteString("\n" + line)
		}
	}
}

// ending says how an alarm ended where it did not simply return to normal.
func (m *Member) ending() string {
	by, p := "", ""
	if m.By != "" {
		by = say("by-whom", "who", m.By)
	}
	switch {
	case m.State == alarm.Norm && m.Gone:
		p = "gone-one"
	case m.State == alarm.Shelved:
		p = "shelved-one"
	case m.State == alarm.OutOfService:
		p = "out-one"
	case m.State == alarm.Suppressed:
		p = "muted-one"
	case m.State.Kept():
		p = "held-one"
	}
	return say(p, "name", m.called(), "by", by)
}

// nameRoom is how many letters a message spends on names alone: about sixty
// enclosures with plain ids.
const nameRoom = 1000

// isNew reports whether m stands for the wake alarms of its subject that this
// version is the first to tell. What is no lethal heat is none of a subject told
// before.
func (n *Notice) isNew(m *Member) bool {
	if m.Priority < alarm.Wake || !m.New {
		return false
	}
	for i := range n.Members {
		o := &n.Members[i]
		if o.Key.Subject == m.Key.Subject && o.Named && !o.New {
			return m.Key.Alarm == alarm.LethalLimit
		}
	}
	return true
}

// newLine names what an update adds to what was told, empty for nothing, and returns those.
func (n *Notice) newLine() (line string, named []*Member) {
	if !n.Update {
		return "", nil
	}
	var added []*Member
	for i := range n.Members {
		if m := &n.Members[i]; n.isNew(m) && !slices.ContainsFunc(added, m.sameSubject) {
			added = append(added, m)
		}
	}
	if len(added) == 0 || len(added) == len(n.Members) {
		return "", nil
	}
	names, more := nameAll(added, nameRoom)
	p := "new-names"
	if more > 0 {
		p = "new-names-more"
	}
	return say(p, "names", names, "n", strconv.Itoa(more)), added[:len(added)-more]
}

// rest names the subjects that have no line of their own: those that wake by
// what is the matter with them, the newest that no line named first, and the others as a
// number. It returns those that wake for whose names there was no room.
func (n *Notice) rest(b *strings.Builder, told []string, named []*Member) (left []string) {
	var kinds []*Member
	like := map[alarm.ID][]*Member{}
	for _, fresh := range []bool{true, false} {
		for i := range n.Members {
			m := &n.Members[i]
			if (n.freshSubject(m) && !slices.ContainsFunc(named, m.sameSubject)) != fresh || slices.Contains(told, m.Key.Subject) {
				continue
			}
			told = append(told, m.Key.Subject)
			if like[m.Key.Alarm] == nil {
				kinds = append(kinds, m)
			}
			like[m.Key.Alarm] = append(like[m.Key.Alarm], m)
		}
	}
	room, more := nameRoom, 0
	for _, k := range kinds {
		list := like[k.Key.Alarm]
		if k.Priority < alarm.Wake {
			more += len(list)
			continue
		}
		names, out := nameAll(list, room)
		if more += out; names != "" {
			room -= len(names)
			b.WriteString(say("also-names", "what", HeadlineOf(k.Key), "names", names))
		}
		for _, m := range list[len(list)-out:] {
			if !slices.ContainsFunc(named, m.sameSubject) {
				left = append(left, m.Key.Subject)
			}
		}
	}
	if more > 0 {
		b.WriteString(say("and-more", "n", strconv.Itoa(more)))
	}
	return left
}

func (n *Notice) freshSubject(m *Member) bool {
	return slices.ContainsFunc(n.Members, func(o Member) bool { return o.Key.Subject == m.Key.Subject && n.isNew(&o) })
}

// nameAll lists names within room letters and counts those left out.
func nameAll(ms []*Member, room int) (names string, more int) {
	for i, m := range ms {
		s := m.called()
		if names != "" {
			s = ", " + s
		}
		if len(names)+len(s) > room {
			return names, len(ms) - i
		}
		names += s
	}
	return names, 0
}

// The ways to put alarms away.
const (
	PutAway  = "shelved"
	TakenOut = "out-of-service"
	Emptied  = "empty"  // out of service, and nobody lives there
	Unseen   = "unseen" // the last probe of an enclosure is out of service
	Dropped  = "dropped"
	Raised   = "raised" // the lethal limit, while heat was told
)

// Changes of who is told first, which everybody hears of as well.
const (
	OnDuty   = "duty"
	DutyOver = "duty-over"
)

// A Silenced is that somebody put alarms of one subject away, or a person on duty.
type Silenced struct {
	How     string     `json:"how"`
	Subject string     `json:"subject"`
	Name    string     `json:"name,omitempty"`
	Alarms  []alarm.ID `json:"alarms,omitempty"` // none for every alarm
	By      string     `json:"by,omitempty"`
	Why     string     `json:"why,omitempty"`
	Hours   float64    `json:"hours,omitempty"`
	Until   time.Time  `json:"until,omitzero"` // zero where the clock is not set
	Once    bool       `json:"once,omitempty"` // until it is over, if that is sooner
}

// listedSilences is how many a message tells one by one.
const listedSilences = 12

// Silence tells who put what away, until when and how to undo it, in a title, a
// text and what to do first.
func Silence(list []Silenced, in *time.Location) (title, text, first string) {
	return silenceTitle(list, in), silenceText(list, in), say("silenced-first")
}

// silenceOf is what is said of one way; one of another version counts as out of service.
func silenceOf(how string) silence {
	if s, ok := inEnglish().Silences[how]; ok {
		return s
	}
	return inEnglish().Silences[TakenOut]
}

func silenceTitle(list []Silenced, in *time.Location) string {
	s := list[0]
	if len(list) == 1 {
		return s.fill(silenceOf(s.How).Title, in)
	}
	text := inEnglish().Phrases["put-away-several"]
	if s.How == OnDuty || s.How == DutyOver {
		text = silenceOf(s.How).Title
	}
	return fmt.Sprintf("%s and %d more", s.fill(text, in), len(list)-1)
}

func silenceText(list []Silenced, in *time.Location) string {
	var lines []string
	for i := range list {
		if i == listedSilences {
			lines = append(lines, fmt.Sprintf("and %d more.", len(list)-i))
			break
		}
		lines = append(lines, list[i].fill(silenceOf(list[i].How).Line, in))
	}
	return strings.Join(lines, "\n")
}

func (s *Silenced) named() string {
	if s.Name == "" || s.Name == s.Subject {
		return s.Subject
	}
	return s.Name + " (" + s.Subject + ")"
}

// fill fills a phrase in for one who reads the clock of in.
func (s *Silenced) fill(text string, in *time.Location) string {
	why, one := "", ""
	if s.Why != "" {
		why = " The reason given: " + s.Why + "."
	}
	if len(s.Alarms) == 1 {
		one = string(s.Alarms[0]) + " "
	}
	return fill(text, "name", s.named(), "plain", cmp.Or(s.Name, s.Subject), "id", s.Subject, "by", s.By, "what", s.what(),
		"end", s.end(in), "why", why, "alarm", one)
}

func (s *Silenced) what() string {
	if len(s.Alarms) == 0 {
		return "every alarm"
	}
	return Headlines(s.Alarms)
}

func (s *Silenced) end(in *time.Location) string {
	t := "for " + Span(time.Duration(s.Hours*float64(time.Hour)))
	if !s.Until.IsZero() {
		t = "until " + s.Until.In(in).Format("2 January 15:04")
	}
	if s.Once {
		t += " or until it is over"
	}
	return t
}
