package words

import (
	"slices"
	"strconv"
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// Drill is the text of a drill.
func Drill() (title, text, first string) {
	return say("drill-title"), say("drill-text"), say("drill-first")
}

// AfterOver is what to do first about what is over.
func AfterOver() string { return say("over-first") }

// YourTurn says to a person why a notice comes to them: those before did not
// answer, or none of them can be reached.
func YourTurn(reached bool) string {
	if reached {
		return say("asked-next")
	}
	return say("asked-only")
}

// Title says what is the matter and how urgent it is, for the one or the worst.
func (n *Notice) Title(s unit.Scale) string {
	if len(n.Members) == 0 {
		return n.Scope()
	}
	worst, subjects := &n.Members[0], n.subjects()
	if worst.byHeat() {
		return n.heatTitle(s)
	}
	what, title := HeadlineOf(worst.Key), ""
	count := strconv.Itoa(subjects)
	switch kind := plural(worst.Key.Alarm); {
	case subjects > 1 && kind == probes:
		title = say("many-probes", "n", count, "what", aloneProbe(what))
	case subjects > 1 && kind == enclosures:
		title = say("several", "scope", n.Scope(), "what", what, "who", n.howMany())
	case subjects > 1:
		title = say("several-of", "scope", n.Scope(), "what", what, "n", count, "kind", kind)
	case n.Cause.Kind == alarm.CauseProbe:
		title = say("of-scope", "scope", n.Scope(), "what", aloneProbe(what))
	default:
		title = say("of-scope", "scope", n.Scope(), "what", what)
	}
	switch f := worst.figure(s); {
	case f == "":
		return title
	case subjects > 1:
		return say("with-worst", "title", title, "value", f)
	default:
		return say("with-value", "title", title, "value", f)
	}
}

// aloneProbe is a headline about a probe behind the word "probe" or "probes".
func aloneProbe(what string) string {
	return strings.TrimPrefix(strings.TrimPrefix(what, "probe "), "probes ")
}

// Body is the text of a notice that is not over, and the subjects that wake for whose
// names it has no room. spokesman is the member whose evidence and advice it gives.
func (n *Notice) Body(spokesman *Member, s unit.Scale) (text string, left []string) {
	var b strings.Builder
	if count := n.subjects(); count > 1 {
		b.WriteString(say("worst-first", "n", strconv.Itoa(count), "kind", plural(n.Members[0].Key.Alarm)))
	}
	if n.Shared != nil {
		b.WriteString(n.Shared.line())
	}
	line, named := n.newLine()
	b.WriteString(line)
	left = n.lines(&b, s, named)
	clauses := func(p string, list []alarm.Fact) {
		if texts := Facts(list, s); len(texts) > 0 {
			b.WriteString(say(p, "list", strings.Join(texts, "; ")))
		}
	}
	clauses("why", spokesman.Detail.Evidence)
	clauses("not-counted", spokesman.Detail.Excused)
	clauses("not-known", spokesman.Detail.Unknown)
	if !n.ClockSet {
		b.WriteString(say("clock-not-set"))
	}
	if first := DoFirst(&spokesman.Detail, s); first != "" {
		b.WriteString(say("firstly", "do", first))
	}
	return strings.TrimRight(b.String(), "\n"), left
}

// lines is one line for each subject: its worst alarm, in full for the worst of
// all, and what else it has.
func (n *Notice) lines(b *strings.Builder, s unit.Scale, named []*Member) (left []string) {
	var seen []string
	for i := range n.Members {
		m := &n.Members[i]
		if slices.Contains(seen, m.Key.Subject) {
			continue
		}
		if len(seen) == listed {
			return n.rest(b, seen, named)
		}
		seen = append(seen, m.Key.Subject)
		switch {
		case m.byHeat() && len(seen) > 1:
			b.WriteString(m.heatShort(s))
		case m.byHeat():
			b.WriteString(n.heatLine(m, s))
		default:
			b.WriteString(m.line(s))
		}
		for j := range n.Members[i+1:] {
			o := &n.Members[i+1+j]
			if o.Key.Subject == m.Key.Subject && !m.implies(o) {
				b.WriteString("; " + HeadlineOf(o.Key))
			}
		}
		b.WriteByte('\n')
	}
	return nil
}

// line is one alarm in full. What is no enclosure's, or has no figure, is told in
// its sentence, which names its subject.
func (m *Member) line(s unit.Scale) string {
	f := m.figure(s)
	if text := Sentence(&m.Onset, s); text != "" && (f == "" || plural(m.Key.Alarm) != enclosures) {
		return strings.TrimSuffix(text, ".")
	}
	text := say("of-scope", "scope", m.called(), "what", HeadlineOf(m.Key))
	if f != "" {
		text = say("with-value", "title", text, "value", f)
	}
	if m.HasLimit && m.HasValue && m.Unit != "" {
		text += say("with-limit", "limit", m.shown(s).Limit)
	}
	if r := rate(&m.Detail, s); r != "" {
		text = say("with-value", "title", text, "value", r)
	}
	return text
}

// Brief says in one line, without its name, what is wrong with a subject, how far
// it is and how long there is.
func (m *Member) Brief(s unit.Scale) string {
	text := HeadlineOf(m.Key)
	row, _ := alarm.Find(m.Key.Alarm)
	if f := m.figure(s); f != "" && m.Unit != "min" {
		text = say("with-value", "title", text, "value", f)
		if l := m.shown(s); m.HasLimit && row.AtLimit {
			text += say("with-limit", "limit", l.Limit)
		}
		if row.AtLimit && (!row.Low && m.back() || row.Low && m.HasLimit && m.Value > m.Limit) {
			text += say("back-not-long")
		}
	}
	switch ahead := m.lethal(s, true); {
	case ahead == "" || m.Key.Alarm == alarm.LethalLimit:
		return text
	case m.Key.Alarm == alarm.LethalAhead: // which its headline says, but not how warm it is
		return m.present(s) + ", " + ahead
	default:
		return text + "; " + ahead
	}
}
