package alert

import (
	"fmt"
	"math"

	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
)

// byHeat reports whether an alarm is one of heat, which is told by what is left
// until the ceiling.
func byHeat(a rules.AlarmID) bool { row, _ := alarm.Find(a); return row.Heat }

// implied reports whether a line about worse has said what other says.
func implied(worse, other rules.AlarmID) bool {
	return byHeat(worse) && byHeat(other) && other != rules.Exposure
}

// heatTitle is the title of a notice about heat: what first, then how urgent.
func heatTitle(n *Notice, ms []Member, subjects int, u Units) string {
	worst := &ms[0]
	name := plainName(worst)
	if subjects == 1 && (n.Cause.Kind == rules.CauseEnclosure || n.Cause.Kind == rules.CauseDoor) {
		return name + " " + heatWords(worst, u)
	}
	head := scope(n)
	if n.Cause.Kind == rules.CauseRoom || n.Cause.Kind == rules.CauseShelf {
		head += " " + heatState(worst.Key.Alarm)
	}
	like := alike(ms)
	switch {
	case eased(worst):
		return head + ", but cooling: " + name + " " + heatWords(worst, u)
	case worst.Key.Alarm == rules.CeilingAhead:
		if t := worst.Detail.TimeToCeiling; t != nil {
			return head + ": " + name + " nearest its lethal limit, " + words.Range(*t)
		}
		return head + ": " + name + " nears its lethal limit"
	case subjects == 1:
		return head + ": " + name + " " + aloneWords(n, worst, u)
	case worst.Key.Alarm == rules.LethalCeiling && like == 1:
		return head + fmt.Sprintf(": %s %s, %d affected", name, heatWords(worst, u), subjects)
	case worst.Key.Alarm == rules.LethalCeiling:
		return head + fmt.Sprintf(": %d enclosures at their lethal limit, worst %s %s", like, name, present(worst, u))
	default:
		return head + fmt.Sprintf(": %d enclosures, worst %s %s", subjects, name, present(worst, u))
	}
}

// aloneWords is what the only enclosure under a broader cause is in.
func aloneWords(n *Notice, m *Member, u Units) string {
	if m.Key.Alarm == rules.LethalCeiling || n.Cause.Kind == rules.CauseProbe {
		return heatWords(m, u)
	}
	return present(m, u)
}

// heatState is what several enclosures, or all, are in.
func heatState(a rules.AlarmID) string {
	switch a {
	case rules.LethalCeiling:
		return "too hot"
	case rules.CeilingAhead:
		return "heating up"
	case rules.Exposure:
		return "hot for too long"
	default:
		return "too warm"
	}
}

// heatWords is what one enclosure is in, with its figure.
func heatWords(m *Member, u Units) string {
	switch m.Key.Alarm {
	case rules.LethalCeiling:
		if eased(m) {
			return "back below its lethal limit, " + below(m, u)
		}
		return "at its lethal limit, " + present(m, u)
	case rules.CeilingAhead:
		if t := m.Detail.TimeToCeiling; t != nil {
			return "heating up: lethal limit in " + words.Range(*t)
		}
		return "heating up toward its lethal limit"
	case rules.Exposure:
		return "hot for too long: " + figure(m, u)
	default:
		if cooling(m) {
			return "was too warm, now " + below(m, u)
		}
		return "too warm, " + present(m, u)
	}
}

// present is the temperature now, or the figure of the alarm where it is not
// known.
func present(m *Member, u Units) string {
	switch {
	case m.Unit == "°C" && m.HasValue:
		return m.quantity(m.Value, u)
	case m.Detail.Temperature != 0:
		return temperature(m.Detail.Temperature, u)
	case m.Key.Alarm == rules.CeilingAhead:
		return "heading for lethal heat"
	default:
		return figure(m, u)
	}
}

// below is the temperature of an enclosure that is back under its limit. One
// that would read as the limit itself says so.
func below(m *Member, u Units) string {
	now := m.quantity(m.Value, u)
	if now == m.quantity(m.Limit, u) {
		return "just under " + now
	}
	return now
}

// heatLine is the worst enclosure in full.
func heatLine(n *Notice, m *Member, u Units) string {
	d := &m.Detail
	s := called(m) + ": " + present(m, u)
	switch {
	case eased(m):
		s = called(m) + ": " + below(m, u) + " (" + limitName(m) + " " + m.quantity(m.Limit, u) + ")"
	case cooling(m):
		s = called(m) + ": " + below(m, u)
		s += " now (limit " + m.quantity(m.Limit, u) + ")"
	case m.Key.Alarm == rules.Exposure && d.Temperature == 0:
		s += ", hot for too long"
	case m.Key.Alarm == rules.Exposure:
		s += ", hot for too long (" + figure(m, u) + ")"
	case m.Key.Alarm != rules.CeilingAhead && m.HasLimit && m.Unit == "°C":
		s += " (" + limitName(m) + " " + m.quantity(m.Limit, u) + ")"
	}
	if d.HasRate && math.Abs(d.RatePerHour) >= leastRate {
		s += " and " + rate(d.RatePerHour, u)
		if n.Cause.Kind == rules.CauseRoom {
			s += " with the whole room"
		}
	}
	if t := d.TimeToCeiling; t != nil {
		s += "; lethal limit" + ceiling(m, u) + " in " + words.Range(*t)
		if g := d.LampsOffGain; g != nil {
			s += "; lamps off now gains " + words.Gain(*g)
		}
	}
	return s
}

// eased reports whether an enclosure at its ceiling is below it by now, though
// not for long enough to call it over.
func eased(m *Member) bool {
	return m.Key.Alarm == rules.LethalCeiling && m.HasValue && m.HasLimit && m.Value < m.Limit
}

// cooling reports whether an enclosure that was too warm is below the limit by
// now, though not by enough or for long enough to call it over.
func cooling(m *Member) bool {
	return m.Key.Alarm == rules.AboveBand && m.HasValue && m.HasLimit && m.Value < m.Limit
}

// leastRate in °C/h is not worth a word.
const leastRate = 0.2

// heatShort is one of the others in a few words.
func heatShort(m *Member, u Units) string {
	s := called(m) + ": " + present(m, u)
	switch t := m.Detail.TimeToCeiling; {
	case eased(m):
		return s + ", back below its lethal limit"
	case m.Key.Alarm == rules.LethalCeiling:
		return s + ", at its lethal limit"
	case m.Key.Alarm == rules.Exposure:
		return s + ", hot for too long"
	case t != nil:
		return s + ", lethal limit" + ceiling(m, u) + " in " + words.Range(*t)
	case cooling(m):
		return s + " now, was too warm"
	default:
		return s + ", too warm"
	}
}

func ceiling(m *Member, u Units) string {
	if m.Detail.Ceiling == 0 {
		return ""
	}
	return " " + temperature(m.Detail.Ceiling, u)
}

func limitName(m *Member) string {
	if m.Key.Alarm == rules.LethalCeiling {
		return "lethal limit"
	}
	return "limit"
}

// plainName is a subject's name alone, its id where it has none.
func plainName(m *Member) string {
	if m.Name == "" {
		return m.Key.Subject
	}
	return m.Name
}
