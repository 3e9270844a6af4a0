package words

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// Over tells the whole story in one follow-up, which may be all that arrives.
func (n *Notice) Over(s unit.Scale) (title, text string) {
	worst, subjects := &n.Members[0], n.subjects()
	p := endedOf
	switch like := n.alike(); {
	case subjects > 1 && like < subjects && plural(worst.Key.Alarm) == enclosures:
		p = endedAmong
	case subjects > 1:
		p = endedIn
	}
	title = p.with("scope", n.Scope(), "what", HeadlineOf(worst.Key), "n", strconv.Itoa(subjects), "kind", plural(worst.Key.Alarm), "who", n.howMany())
	var b strings.Builder
	b.WriteString(fromTo.with("from", n.From.Format("15:04"), "to", n.To.Format("15:04"), "span", Span(n.Lasted)))
	if worst.HasValue && (worst.Unit == "°C" || worst.Unit == "%") && worst.Key.Alarm != alarm.Exposure {
		f := Figure{Alarm: worst.Key.Alarm, Value: worst.Peak, Limit: cmp.Or(worst.PeakLimit, worst.Limit), HasLimit: worst.HasLimit, Unit: worst.Unit}.Text(s)
		limit := ""
		if worst.HasLimit {
			limit = withLimit.with("limit", f.Limit)
		}
		b.WriteString(worstWas.with("value", f.Value, "limit", limit, "name", worst.called()))
	}
	n.endings(&b)
	if n.AckedBy != "" {
		b.WriteString(answeredBy.with("who", n.AckedBy))
	}
	return n.ended().with("what", title), b.String()
}

// ended says whether all is over: what a person put away may go on.
func (n *Notice) ended() phrase {
	away, gone := 0, 0
	for i := range n.Members {
		switch m := &n.Members[i]; {
		case m.Gone:
			gone++
		case m.State.Annunciated(): // no longer worth a message
			return endedMilder
		case m.State.PutAway():
			away++
		}
	}
	switch all := len(n.Members); {
	case away+gone == 0:
		return endedAll
	case gone == all:
		return endedGone
	case away == 0:
		return endedMixed
	case away+gone == all:
		return endedAway
	default:
		return endedOrAway
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
		b.WriteString(heldTogeth.with("n", strconv.Itoa(held)))
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
	by, p := "", phrase("")
	if m.By != "" {
		by = byWhom.with("who", m.By)
	}
	switch {
	case m.State == alarm.Norm && m.Gone:
		p = goneOne
	case m.State == alarm.Shelved:
		p = shelvedOne
	case m.State == alarm.OutOfService:
		p = outOne
	case m.State == alarm.Suppressed:
		p = mutedOne
	case m.State.Kept():
		p = heldOne
	}
	return p.with("name", m.called(), "by", by)
}

// nameRoom is how many letters a message spends on names alone: about sixty
// enclosures with plain ids.
const nameRoom = 1000

// isNew reports whether m stands for the wake alarms of its subject that this
// version is the first to tell. What is no lethal heat is none of a subject told
// before.
func (n *Notice) isNew(m *Member) bool {
	if !m.Wake || !m.New {
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

// newLine names what an update adds to what was told, empty for nothing.
func (n *Notice) newLine() string {
	if !n.Update {
		return ""
	}
	var added []*Member
	for i := range n.Members {
		if m := &n.Members[i]; n.isNew(m) && !slices.ContainsFunc(added, m.sameSubject) {
			added = append(added, m)
		}
	}
	if len(added) == 0 || len(added) == len(n.Members) {
		return ""
	}
	names, more := nameAll(added, nameRoom)
	p := newNames
	if more > 0 {
		p = newNamesMore
	}
	return p.with("names", names, "n", strconv.Itoa(more))
}

func (m *Member) sameSubject(o *Member) bool { return o.Key.Subject == m.Key.Subject }

// rest names the subjects that have no line of their own: those that wake by
// what is the matter with them, the newest first, and the others as a number.
func (n *Notice) rest(b *strings.Builder, told []string) {
	var kinds []*Member
	like := map[alarm.ID][]*Member{}
	for _, fresh := range []bool{true, false} {
		for i := range n.Members {
			m := &n.Members[i]
			if n.freshSubject(m) != fresh || slices.Contains(told, m.Key.Subject) {
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
		if list := like[k.Key.Alarm]; !k.Wake {
			more += len(list)
		} else if names, left := nameAll(list, room); names != "" {
			more, room = more+left, room-len(names)
			b.WriteString(alsoNames.with("what", HeadlineOf(k.Key), "names", names))
		} else {
			more += left
		}
	}
	if more > 0 {
		b.WriteString(andMore.with("n", strconv.Itoa(more)))
	}
}

// freshSubject reports whether any alarm of m's subject is new.
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
