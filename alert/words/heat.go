package words

import (
	"cmp"
	"strconv"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// heatStates are what several enclosures, or all, are in.
var heatStates = map[alarm.ID]string{
	alarm.LethalLimit: "too hot", alarm.LethalAhead: "heating up", alarm.Exposure: "hot for too long", alarm.AboveBand: "too warm",
}

// heatTitle is the title of a notice about heat: what first, then how urgent.
func (n *Notice) heatTitle(s unit.Scale) string {
	worst, subjects := &n.Members[0], n.subjects()
	name := worst.plainName()
	head := n.Scope()
	if head == name && (subjects == 1 || worst.eased()) {
		return name + " " + worst.heatWords(s)
	}
	if n.Cause.Kind == alarm.CauseRoom || n.Cause.Kind == alarm.CauseShelf {
		head += " " + heatStates[worst.Key.Alarm]
	}
	p, state, count := manyWarm, worst.heatWords(s), subjects
	switch a := worst.Key.Alarm; {
	case worst.eased():
		p = butCooling
	case a == alarm.LethalAhead:
		return worst.aheadTitle(head, name)
	case subjects == 1 && a != alarm.LethalLimit && n.Cause.Kind != alarm.CauseProbe:
		p, state = oneOf, worst.present(s)
	case subjects == 1:
		p = oneOf
	case a == alarm.LethalLimit && n.alike() == 1:
		p = oneLethal
	case a == alarm.LethalLimit:
		p, count = manyLethal, n.alike()
	}
	return p.with("head", head, "name", name, "state", state, "n", strconv.Itoa(count), "value", worst.present(s))
}

// aheadTitle is a title about the lethal limit that one nears.
func (m *Member) aheadTitle(head, name string) string {
	t := m.Detail.TimeToLethal
	switch {
	case t == nil:
		return oneNear.with("head", head, "name", name)
	case open(*t):
		return oneCould.with("head", head, "name", name, "when", lethalIn(*t, ""))
	}
	return oneAhead.with("head", head, "name", name, "when", lethalIn(*t, ""))
}

// heatWords is what one enclosure is in, with its figure.
func (m *Member) heatWords(s unit.Scale) string {
	p, when, value := tooWarm, "", m.present(s)
	switch t := m.Detail.TimeToLethal; {
	case m.eased():
		p = backBelow
	case m.Key.Alarm == alarm.LethalLimit:
		p = atLethal
	case m.Key.Alarm == alarm.LethalAhead && t == nil:
		p = heatsToward
	case m.Key.Alarm == alarm.LethalAhead:
		p, when = heatingUp, lethalIn(*t, "")
	case m.Key.Alarm == alarm.Exposure:
		p, value = tooLong, m.figure(s)
	case m.cooling():
		p = wasTooWarm
	}
	return p.with("value", value, "when", when)
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

// heatLine is the worst enclosure in full.
func (n *Notice) heatLine(m *Member, s unit.Scale) string {
	text, limit := m.present(s), ""
	if m.Unit == "°C" {
		limit = m.shown(s).Limit
	}
	switch a := m.Key.Alarm; {
	case m.cooling():
		text = wasTooWarm.with("value", text) + withLimit.with("limit", limit)
	case a == alarm.Exposure && m.Detail.Temperature != 0:
		text += ", " + tooLong.with("value", m.figure(s))
	case a == alarm.Exposure:
		text += ", " + string(hotTooLong)
	case a == alarm.LethalLimit && limit != "":
		text += withLethal.with("limit", limit)
	case a != alarm.LethalAhead && limit != "":
		text += withLimit.with("limit", limit)
	}
	if r := rate(&m.Detail, s); r != "" {
		text += " and " + r
		if n.Cause.Kind == alarm.CauseRoom {
			text += string(wholeRoom)
		}
	}
	if ahead := m.lethal(s, true); ahead != "" {
		text += "; " + ahead
	}
	return m.called() + ": " + text
}

// heatShort is one of the others in a few words.
func (m *Member) heatShort(s unit.Scale) string {
	text := ""
	switch a := m.Key.Alarm; {
	case a == alarm.LethalLimit, m.cooling():
		text = m.heatWords(s)
	case a == alarm.Exposure:
		text = m.present(s) + ", " + string(hotTooLong)
	default:
		text = m.present(s) + ", " + cmp.Or(m.lethal(s, false), heatStates[alarm.AboveBand])
	}
	return m.called() + ": " + text
}
