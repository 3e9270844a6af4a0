package alert

import (
	"fmt"
	"slices"
	"strings"

	"dewline/alert/words"
	"dewline/rules"
)

// nameRoom is how many letters a message spends on names alone: about sixty
// enclosures with plain ids.
const nameRoom = 1000

// news are the wake alarms, one for each subject, that this version is the
// first to tell. What is no lethal heat is none of a subject told before.
func news(n *Notice, ms []Member) []Member {
	isNew := func(m *Member) bool { return slices.Contains(m.Named, Naming{n.ID, n.Version}) }
	var out, old []Member
	for _, m := range ms {
		if len(m.Named) > 0 && !isNew(&m) {
			old = append(old, m)
		}
	}
	for _, m := range ms {
		known := m.Key.Alarm != rules.LethalCeiling && hasSubject(old, &m)
		if m.Priority >= rules.Wake && isNew(&m) && !known && !hasSubject(out, &m) {
			out = append(out, m)
		}
	}
	return out
}

func hasSubject(ms []Member, m *Member) bool {
	return slices.ContainsFunc(ms, func(o Member) bool { return o.Key.Subject == m.Key.Subject })
}

// newLine names what an update adds to what was told, empty for nothing.
func newLine(n *Notice, ms []Member) string {
	added := news(n, ms)
	if n.Kind != Update || len(added) == 0 || len(added) == len(ms) {
		return ""
	}
	names, more := nameAll(added, nameRoom)
	if more > 0 {
		names += fmt.Sprintf(" and %d more", more)
	}
	return "New: " + names + ".\n"
}

// rest names the subjects that have no line of their own: those that wake by
// what is the matter with them, the newest first, and the others as a number.
func rest(n *Notice, ms []Member, listed []string) string {
	var unlisted []Member
	for _, m := range ms {
		if !slices.Contains(listed, m.Key.Subject) && !hasSubject(unlisted, &m) {
			unlisted = append(unlisted, m)
		}
	}
	isNew := func(m *Member) bool { return hasSubject(news(n, ms), m) }
	slices.SortStableFunc(unlisted, func(a, b Member) int {
		switch na, nb := isNew(&a), isNew(&b); {
		case na == nb:
			return 0
		case na:
			return -1
		default:
			return 1
		}
	})
	var b strings.Builder
	room, more := nameRoom, 0
	for len(unlisted) > 0 {
		kind := unlisted[0].Key.Alarm
		like := slices.Clone(unlisted)
		like = slices.DeleteFunc(like, func(m Member) bool { return m.Key.Alarm != kind })
		unlisted = slices.DeleteFunc(unlisted, func(m Member) bool { return m.Key.Alarm == kind })
		if like[0].Priority < rules.Wake {
			more += len(like)
			continue
		}
		names, left := nameAll(like, room)
		if more += left; names != "" {
			room -= len(names)
			b.WriteString("Also " + words.Headline(kind) + ": " + names + ".\n")
		}
	}
	if more > 0 {
		fmt.Fprintf(&b, "and %d more.\n", more)
	}
	return b.String()
}

// nameAll lists names within room letters and counts those left out.
func nameAll(ms []Member, room int) (names string, more int) {
	for i := range ms {
		s := called(&ms[i])
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
