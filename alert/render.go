package alert

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// listed is how many alarms a message spells out before it only names them.
const listed = 6

// Render puts a notice into words for one reader: every temperature, difference
// and rate is on the reader's scale.
func Render(n Notice, u Units) Message {
	m := Message{
		ID: n.ID, Version: n.Version, Kind: n.Kind, Time: n.Time, Since: n.Since, ClockSet: n.ClockSet,
		Room: n.Room, Priority: n.Priority, Cause: string(n.Cause.Kind), CauseID: n.Cause.ID,
		Supersedes: n.Supersedes, Subjects: []string{},
	}
	if n.Kind == Test {
		m.Title = "Drill: please acknowledge"
		m.Text = "This tests the way from the room to you. Nothing is wrong."
		m.FirstAction = "Acknowledge this notice."
		return m
	}
	shown := told(&n)
	for i := range shown {
		s := &shown[i]
		m.Alarms = append(m.Alarms, AlarmRef{s.Key.Alarm, s.Key.Subject, s.Seq, s.State.String(), s.Priority})
		if !slices.Contains(m.Subjects, s.Key.Subject) {
			m.Subjects = append(m.Subjects, s.Key.Subject)
		}
	}
	if len(shown) == 0 {
		m.Title = scope(&n)
		return m
	}
	if n.Kind == FollowUp {
		m.Title, m.Text = over(&n, shown, len(m.Subjects), u)
		m.FirstAction = "Look at the animals when you can."
		return m
	}
	m.Title = title(&n, shown, len(m.Subjects), u)
	m.Text = body(&n, shown, len(m.Subjects), u)
	m.FirstAction = advice(spokesman(&n, shown), u)
	return m
}

// told returns the members that a message speaks of: the active ones, or all
// of them once it is over.
func told(n *Notice) []Member {
	if n.Kind == FollowUp {
		return n.Members
	}
	var ms []Member
	for i := range n.Members {
		if counts(&n.Members[i]) {
			ms = append(ms, n.Members[i])
		}
	}
	return ms
}

// title says what is the matter and how urgent it is, for the one or the worst.
func title(n *Notice, ms []Member, subjects int, u Units) string {
	worst := &ms[0]
	if byHeat(worst.Key.Alarm) {
		return heatTitle(n, ms, subjects, u)
	}
	what, t := words.Headline(worst.Key.Alarm), ""
	switch kind := plural(worst.Key.Alarm); {
	case subjects > 1 && kind == probes:
		t = fmt.Sprintf("%d probes: %s", subjects, aloneProbe(what))
	case subjects > 1 && kind == enclosures:
		t = scope(n) + ": " + what + " in " + howMany(ms, subjects)
	case subjects > 1:
		t = fmt.Sprintf("%s: %s, %d %s", scope(n), what, subjects, kind)
	case n.Cause.Kind == rules.CauseProbe:
		t = scope(n) + ": " + aloneProbe(what)
	default:
		t = scope(n) + ": " + what
	}
	if f := figure(worst, u); f != "" {
		t += ", "
		if subjects > 1 {
			t += "worst "
		}
		t += f
	}
	return t
}

// aloneProbe is a headline about a probe behind the word "probe" or "probes".
func aloneProbe(what string) string {
	return strings.TrimPrefix(strings.TrimPrefix(what, "probe "), "probes ")
}

// howMany says how many subjects have the worst alarm, and how many any.
func howMany(ms []Member, subjects int) string {
	kind := ms[0].Key.Alarm
	switch like := alike(ms); {
	case like == subjects:
		return fmt.Sprintf("%d %s", like, plural(kind))
	case like == 1:
		return fmt.Sprintf("%s, %d affected", called(&ms[0]), subjects)
	default:
		return fmt.Sprintf("%d %s, %d affected", like, plural(kind), subjects)
	}
}

// alike counts the members with the worst one's alarm.
func alike(ms []Member) int {
	n := 0
	for i := range ms {
		if ms[i].Key.Alarm == ms[0].Key.Alarm {
			n++
		}
	}
	return n
}

func body(n *Notice, ms []Member, subjects int, u Units) string {
	var b strings.Builder
	if subjects > 1 {
		fmt.Fprintf(&b, "%d %s, worst first.\n", subjects, plural(ms[0].Key.Alarm))
	}
	b.WriteString(newLine(n, ms))
	b.WriteString(lines(n, ms, u))
	s := spokesman(n, ms)
	scale := u.Scale()
	clauses := func(head string, list []string) {
		if len(list) > 0 {
			b.WriteString(head + strings.Join(list, "; ") + ".\n")
		}
	}
	clauses("Why: ", words.Facts(s.Detail.Evidence, scale))
	clauses("Not counted: ", words.Facts(s.Detail.Excused, scale))
	clauses("Not known: ", words.Facts(s.Detail.Unknown, scale))
	if !n.ClockSet {
		b.WriteString("The board's clock is not set; times may be wrong.\n")
	}
	if first := brief(s, u); first != "" {
		b.WriteString("First: " + first + "\n")
	}
	return strings.TrimRight(b.String(), "\n")
}

// lines is one line for each subject: its worst alarm, in full for the worst of
// all, and what else it has.
func lines(n *Notice, ms []Member, u Units) string {
	var b strings.Builder
	var seen []string
	for i := range ms {
		m := &ms[i]
		if slices.Contains(seen, m.Key.Subject) {
			continue
		}
		if len(seen) == listed {
			b.WriteString(rest(n, ms, seen))
			break
		}
		seen = append(seen, m.Key.Subject)
		switch {
		case byHeat(m.Key.Alarm) && len(seen) > 1:
			b.WriteString(heatShort(m, u))
		case byHeat(m.Key.Alarm):
			b.WriteString(heatLine(n, m, u))
		default:
			b.WriteString(line(m, u))
		}
		for j := range ms[i+1:] {
			o := &ms[i+1+j]
			if o.Key.Subject == m.Key.Subject && !implied(m.Key.Alarm, o.Key.Alarm) {
				b.WriteString("; " + words.Headline(o.Key.Alarm))
			}
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// line is one alarm in full. An alarm without a figure has the rules' own
// sentence, which names its subject.
func line(m *Member, u Units) string {
	f := figure(m, u)
	if text := words.Sentence(m.said(), u.Scale()); text != "" && (f == "" || plural(m.Key.Alarm) != enclosures) {
		return strings.TrimSuffix(text, ".")
	}
	s := called(m) + ": " + words.Headline(m.Key.Alarm)
	if f != "" {
		s += ", " + f
	}
	if m.HasLimit && m.HasValue && m.Unit != "" {
		s += " (limit " + m.quantity(m.Limit, u) + ")"
	}
	if m.Detail.HasRate && math.Abs(m.Detail.RatePerHour) >= leastRate {
		s += ", " + rate(m.Detail.RatePerHour, u)
	}
	return s
}

// figure is the one number that says how bad an alarm is, empty for none.
func figure(m *Member, u Units) string {
	switch {
	case !m.HasValue || m.Unit == "":
		return ""
	case m.Key.Alarm == rules.Exposure:
		return fmt.Sprintf("%.0f %% of the reference heat dose", m.Value)
	case m.Key.Alarm == rules.CertificateDue:
		return m.quantity(m.Value, u) + " left"
	default:
		return m.quantity(m.Value, u)
	}
}

// over tells the whole story in one follow-up, which may be all that arrives.
func over(n *Notice, ms []Member, subjects int, u Units) (title, text string) {
	worst := &ms[0]
	title = ended(ms) + scope(n) + ", " + words.Headline(worst.Key.Alarm)
	if subjects > 1 {
		title += fmt.Sprintf(" in %d %s", subjects, plural(worst.Key.Alarm))
	}
	var b strings.Builder
	b.WriteString(span(n, ms))
	if worst.HasValue && (worst.Unit == "°C" || worst.Unit == "%") {
		fmt.Fprintf(&b, " Worst %s", worst.quantity(worst.Peak, u))
		if worst.HasLimit {
			fmt.Fprintf(&b, " (limit %s)", worst.quantity(cmp.Or(worst.PeakLimit, worst.Limit), u))
		}
		b.WriteString(" at " + called(worst) + ".")
	}
	b.WriteString(endings(ms))
	if n.AckedBy != "" {
		b.WriteString("\nAcknowledged by " + n.AckedBy + ".")
	}
	return title, b.String()
}

// ended says whether all is over: what a person put away may go on.
func ended(ms []Member) string {
	away, gone := 0, 0
	for i := range ms {
		switch s := ms[i].State; {
		case ms[i].Gone:
			gone++
		case s == alarm.Shelved || s == alarm.OutOfService:
			away++
		}
	}
	switch away + gone {
	case 0:
		return "Over: "
	case gone:
		if gone == len(ms) {
			return "No longer watched, not over: "
		}
		return "Over or no longer watched: "
	case len(ms):
		return "Put away, not over: "
	default:
		return "Over or put away: "
	}
}

// endings are the lines about alarms that did not simply return to normal; held
// ones are one line together.
func endings(ms []Member) string {
	held := 0
	for i := range ms {
		if latched(&ms[i]) {
			held++
		}
	}
	s := ""
	if held > 1 {
		s = fmt.Sprintf("\n%d alarms are back to normal and held until somebody resets them.", held)
	}
	for i := range ms[:min(len(ms), listed)] {
		if line := ending(&ms[i]); line != "" && (held < 2 || !latched(&ms[i])) {
			s += "\n" + line
		}
	}
	return s
}

func latched(m *Member) bool { return m.State == alarm.LatchUnack || m.State == alarm.LatchAck }

// ending says how an alarm ended where it did not simply return to normal.
func ending(m *Member) string {
	who := ""
	if m.By != "" {
		who = " by " + m.By
	}
	switch m.State {
	case alarm.Norm:
		if m.Gone {
			return called(m) + ": no longer in the configuration; nobody watches it now."
		}
		return ""
	case alarm.Shelved:
		return called(m) + ": shelved" + who + ", not over."
	case alarm.OutOfService:
		return called(m) + ": taken out of service" + who + "."
	case alarm.Suppressed:
		return called(m) + ": suppressed by design."
	case alarm.LatchUnack, alarm.LatchAck:
		return called(m) + ": back to normal, held until somebody resets it."
	default:
		return ""
	}
}

// span says from when to when what the title speaks of lasted: a milder alarm of
// the same notice may have begun before and ended after.
func span(n *Notice, ms []Member) string {
	from, to := ms[0].Since, ms[0].Ended
	for i := range ms {
		if ms[i].Key.Alarm != ms[0].Key.Alarm {
			continue
		}
		if ms[i].Since.Mono < from.Mono {
			from = ms[i].Since
		}
		if ms[i].Ended.Mono > to.Mono {
			to = ms[i].Ended
		}
	}
	at := func(i sensors.Instant) string {
		if i.Wall.IsZero() {
			i.Wall = n.Time
		}
		return i.Wall.In(n.Time.Location()).Format("15:04")
	}
	lasted := to.Sub(from)
	if from.Synced && to.Synced { // running time leaves out the time off
		lasted = to.Wall.Sub(from.Wall)
	}
	return fmt.Sprintf("From %s to %s, %s.", at(from), at(to), length(max(lasted, 0)))
}

// length writes a span of time in the largest unit that is exact enough.
func length(d time.Duration) string {
	switch {
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 3*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.1f h", d.Hours())
	default:
		return fmt.Sprintf("%.1f days", d.Hours()/24)
	}
}

// advice is the first thing to do, as the rules say for the situation.
func advice(m *Member, u Units) string {
	return words.FirstAction(m.first(), u.Scale())
}

// first has at least one step.
func (m *Member) first() *rules.Detail {
	if m.Detail.FirstAction != "" || len(m.Detail.Steps) > 0 {
		return &m.Detail
	}
	return &rules.Detail{Steps: rules.FirstSteps(m.Key.Alarm, m.Cause)}
}

// said is what words are made of.
func (m *Member) said() alarm.Said {
	return alarm.Said{Key: m.Key, Cause: m.Cause, HasValue: m.HasValue, HasLimit: m.HasLimit,
		Unit: m.Unit, Text: m.Text, Detail: &m.Detail}
}

// spokesman is the worst member that has the notice's own cause, whose evidence
// and advice are about that; the worst of all where none says its cause.
func spokesman(n *Notice, ms []Member) *Member {
	for i := range ms {
		if ms[i].Cause == n.Cause {
			return &ms[i]
		}
	}
	return &ms[0]
}

// brief is the beginning of the advice, for a phone.
func brief(m *Member, u Units) string {
	return words.DoFirst(m.first(), u.Scale())
}

// quantity prints a value of an alarm for a reader, with one decimal. A time is
// in the unit that it is measured in until that takes too many digits.
func (m *Member) quantity(v float64, u Units) string {
	switch m.Unit {
	case "s":
		if v >= 600 && v < longest {
			return length(time.Duration(v * float64(time.Second)))
		}
	case "min":
		if v >= 180 && v < longest {
			return length(time.Duration(v * float64(time.Minute)))
		}
	case "d":
		if days := math.Floor(v); days != 1 {
			return whole(days) + " days"
		}
		return "1 day"
	case "°C":
		if alarm.IsDelta(m.Key.Alarm) {
			return unit.TemperatureDelta(v).Text(u.Scale(), 1)
		}
		return temperature(v, u)
	default:
		return number(v) + " " + m.Unit
	}
	return whole(v) + " " + m.Unit
}

// whole prints a count of seconds, minutes or days.
func whole(v float64) string { return strings.TrimSuffix(number(math.Round(v)), ".0") }

// temperature prints one that is in °C for a reader.
func temperature(c float64, u Units) string { return unit.Temperature(c).Text(u.Scale(), 1) }

// rate prints a change of temperature per hour.
func rate(perHour float64, u Units) string {
	word := "rising "
	if perHour < 0 {
		word = "falling "
	}
	return word + unit.TemperatureDelta(math.Abs(perHour)).Text(u.Scale(), 1) + "/h"
}

// longest, in seconds or minutes, is more than any span that is meant.
const longest = 1e9

func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "?"
	}
	if math.Abs(v) < 0.05 {
		v = 0 // never "-0.0"
	}
	return strconv.FormatFloat(v, 'f', 1, 64)
}
