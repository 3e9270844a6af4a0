package page

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
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
	text, value, limit := words.Headline(m.Key.Alarm), valueNow(m, snap), m.Limit
	if q := u.figure(m.Key.Alarm, value, m.Unit); m.HasValue && m.Unit != "" && m.Unit != "min" {
		text += ", " + q
		if l := u.quantity(m.Key.Alarm, limit, m.Unit); m.HasLimit && l != "" && l != q {
			text += " (limit " + l + ")"
			if easing(m.Key.Alarm, value, limit) {
				text += ", not yet clear of it for long enough"
			}
		}
	}
	if r := m.Detail.TimeToCeiling; r != nil && r.ToMinutes > 0 && m.Key.Alarm != rules.LethalCeiling {
		text += "; lethal heat in " + minutes(r)
		if g := m.Detail.LampsOffGain; g != nil && g.ToMinutes > 0 {
			text += ", lamps off gains " + minutes(g)
		}
	}
	return text
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

// easing reports whether a value is back on the right side of its limit under
// an alarm that holds until it is so by enough and for long enough.
func easing(a rules.AlarmID, value, limit float64) bool {
	row, _ := alarm.Find(a)
	if row.Low {
		return value > limit
	}
	return row.AtLimit && value < limit
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
		out = append(out, capital(step))
		if !found {
			return out
		}
		rest = more
	}
}

func capital(s string) string {
	if s == "" {
		return ""
	}
	r, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[size:]
}
