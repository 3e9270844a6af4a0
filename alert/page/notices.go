package page

import (
	"fmt"
	"slices"
	"strings"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/rules"
)

// card puts a notice into words, its members worst first.
func (s *site) card(v *alert.NoticeView, snap *alert.Snapshot) noticeCard {
	c := noticeCard{
		ID: v.Notice.ID, Title: v.Message.Title, First: numbered(v.Message.FirstAction), Class: v.Notice.Priority.String(),
		Since: s.when(v.Notice.Since, snap.At.Wall), Told: strings.Join(v.Told, ", "), AckedBy: v.Notice.AckedBy,
		Sign: statusToday.Sign, Version: v.Notice.Version,
	}
	if v.Notice.Priority == rules.Wake {
		c.Sign = statusWake.Sign
	}
	u := unitsOf(s.o.Config())
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
		l := memberLine{Name: nameOf(m.Key.Subject, m.Name), Text: memberText(m, snap, u), Since: s.when(m.Since.Wall, snap.At.Wall)}
		if slices.ContainsFunc(snap.Enclosures, func(e rules.EnclosureView) bool { return e.ID == m.Key.Subject }) {
			l.ID = m.Key.Subject
		}
		c.Lines = append(c.Lines, l)
	}
	return c
}

// memberText says in one line what is wrong, how far it is, and how long there
// is.
func memberText(m *alert.Member, snap *alert.Snapshot, u units) string {
	f := m.Facts()
	f.Value = valueNow(m, snap)
	return f.Brief(u.scale)
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
