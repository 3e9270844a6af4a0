package words

import (
	"cmp"
	"strconv"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

func (n *Notice) heatTitle(s unit.Scale) string {
	worst, subjects := &n.Members[0], n.subjects()
	name := worst.plainName()
	head := n.Scope()
	if head == name && (subjects == 1 || worst.eased()) {
		return name + " " + worst.heatWords(s)
	}
	if n.Cause.Kind == alarm.CauseRoom || n.Cause.Kind == alarm.CauseShelf {
		head += " " + inEnglish().Heat[string(worst.Key.Alarm)]
	}
	if worst.Key.Alarm == alarm.LethalAhead && !worst.eased() {
		return worst.aheadTitle(head, name)
	}
	p, count := n.warmPhrase(worst, subjects)
	state := worst.heatWords(s)
	if p == "one-of" && worst.Key.Alarm != alarm.LethalLimit && !worst.eased() && n.Cause.Kind != alarm.CauseProbe {
		state = worst.present(s)
	}
	return say(p, "head", head, "name", name, "state", state, "n", strconv.Itoa(count), "value", worst.present(s))
}

// warmPhrase is the title that fits so many subjects, and how many of them it counts.
func (n *Notice) warmPhrase(worst *Member, subjects int) (phrase string, count int) {
	lethal := n.atLethal()
	switch {
	case worst.eased() && worst.falls():
		return "but-cooling", subjects
	case worst.eased(), subjects == 1:
		return "one-of", subjects
	case worst.Key.Alarm != alarm.LethalLimit:
		return "many-warm", subjects
	case lethal == 1:
		return "one-lethal", subjects
	}
	return "many-lethal", lethal
}

// aheadTitle is a title about the lethal limit that one nears.
func (m *Member) aheadTitle(head, name string) string {
	t := m.Detail.TimeToLethal
	switch {
	case t == nil:
		return say("one-near", "head", head, "name", name)
	case open(*t):
		return say("one-could", "head", head, "name", name, "when", lethalIn(*t, ""))
	}
	return say("one-ahead", "head", head, "name", name, "when", lethalIn(*t, ""))
}

// heatWords is what one enclosure is in, with its figure.
func (m *Member) heatWords(s unit.Scale) string {
	p, when, value := "too-warm", "", m.present(s)
	switch t := m.Detail.TimeToLethal; {
	case m.eased():
		p = "back-below"
	case m.Key.Alarm == alarm.LethalLimit:
		p = "at-lethal"
	case m.Key.Alarm == alarm.LethalAhead && t == nil:
		p = "heats-toward"
	case m.Key.Alarm == alarm.LethalAhead:
		p, when = "heating-up", lethalIn(*t, "")
	case m.Key.Alarm == alarm.Exposure:
		p, value = "too-long", m.figure(s)
	case m.cooling():
		p = "was-too-warm"
	}
	return say(p, "value", value, "when", when)
}

// lethal says when the lethal limit is expected and, where asked for, what turning
// the lamps off wins; empty for not known.
func (m *Member) lethal(s unit.Scale, gain bool) string {
	d := m.Detail
	if d.TimeToLethal == nil {
		return ""
	}
	limit := m.warmth(s).Lethal
	if limit == "" && d.Lethal != 0 {
		limit = unit.Temperature(d.Lethal).Text(s, 1)
	}
	text := lethalIn(*d.TimeToLethal, limit)
	if gain && d.LampsOffGain != nil {
		text += "; " + lampsOff(*d.LampsOffGain)
	}
	return text
}

func (n *Notice) heatLine(m *Member, s unit.Scale) string {
	text, limit := m.present(s), ""
	if m.Unit == "°C" {
		limit = m.shown(s).Limit
	}
	switch a := m.Key.Alarm; {
	case m.cooling():
		text = say("was-too-warm", "value", text) + say("with-limit", "limit", limit)
	case a == alarm.Exposure && m.Detail.Temperature != 0:
		text += ", " + say("too-long", "value", m.figure(s))
	case a == alarm.Exposure:
		text += ", " + say("hot-too-long")
	case a == alarm.LethalLimit && limit != "":
		text += say("with-lethal", "limit", limit)
	case a != alarm.LethalAhead && limit != "":
		text += say("with-limit", "limit", limit)
	}
	if r := rate(&m.Detail, s); r != "" {
		text += " and " + r
		if n.Cause.Kind == alarm.CauseRoom {
			text += say("whole-room")
		}
	}
	if ahead := m.lethal(s, true); ahead != "" {
		text += "; " + ahead
	}
	return m.called() + ": " + text
}

func (m *Member) heatShort(s unit.Scale) string {
	text := ""
	switch a := m.Key.Alarm; {
	case a == alarm.LethalLimit, m.cooling():
		text = m.heatWords(s)
	case a == alarm.Exposure:
		text = m.present(s) + ", " + say("hot-too-long")
	default:
		text = m.present(s) + ", " + cmp.Or(m.lethal(s, false), inEnglish().Heat[string(alarm.AboveBand)])
	}
	return m.called() + ": " + text
}
