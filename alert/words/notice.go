package words

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// A Member is one alarm as a notice tells it. The value and the limit are those
// of now, and the peak is the furthest past the limit that was in force then.
type Member struct {
	alarm.Said
	Name                          string
	State                         alarm.State
	Gone                          bool   // it ended since the configuration has its subject no more
	By                            string // who acted last
	Wake                          bool
	New, Named                    bool // first named by this version; by any
	Value, Limit, Peak, PeakLimit float64
}

// A Notice is what a notice tells one person, as facts: all alarms that it speaks
// of, worst first.
type Notice struct {
	Cause    alarm.Cause
	Members  []Member
	Update   bool // there was a version before
	ClockSet bool
	AckedBy  string
	// From, To and Lasted are of what the title of an ended one speaks.
	From, To time.Time
	Lasted   time.Duration
	Shared   *Shared // what the probes of a storm hang on, nil for nothing in common
}

// listed is how many alarms a message spells out before it only names them.
const listed = 6

// Drill is the text of a drill.
func Drill() (title, text, first string) { return drillTitle, drillText, drillFirst }

// AfterOver is what to do first about what is over.
func AfterOver() string { return overFirst }

// YourTurn says to a person why a notice comes to them: those before did not
// answer, or none of them can be reached.
func YourTurn(reached bool) string {
	if reached {
		return string(askedNext)
	}
	return string(askedOnly)
}

// subjects counts what the alarms are about.
func (n *Notice) subjects() int {
	var seen []string
	for i := range n.Members {
		if s := n.Members[i].Key.Subject; !slices.Contains(seen, s) {
			seen = append(seen, s)
		}
	}
	return len(seen)
}

// Scope names what the notice is about.
func (n *Notice) Scope() string {
	switch c := n.Cause; {
	case len(n.Members) > 0 && n.Members[0].Detail.Place.Room != "":
		return Place(n.Members[0].Detail)
	case c.Kind == CauseSeveral && n.subjects() != 1:
		return string(severalAtOnce)
	case c.Kind == alarm.CauseEnclosure || c.Kind == alarm.CauseDoor || causes[c.Kind] == "":
		if len(n.Members) > 0 {
			return n.Members[0].plainName()
		}
		return c.ID
	case c.Kind == alarm.CauseDewline:
		return strings.TrimSpace("dewline " + c.ID)
	default:
		return Capital(strings.TrimPrefix(cause(c), "the "))
	}
}

// What several subjects of an alarm are.
const (
	enclosures = "enclosures"
	probes     = "probes"
)

// plural is what several subjects of an alarm are.
func plural(a alarm.ID) string {
	row, ok := alarm.Find(a)
	switch {
	case !ok || row.Of == alarm.OfEnclosure:
		return enclosures
	case row.Of == alarm.OfProbe:
		return probes
	case a == alarm.DeliveryStalled:
		return "channels"
	case a == alarm.CertificateDue:
		return "certificates"
	case a == alarm.ConfigRefused:
		return "parts"
	default:
		return "rooms"
	}
}

// called is a subject's name with its id.
func (m *Member) called() string {
	if m.Name == "" {
		return m.Key.Subject
	}
	return m.Name + " (" + m.Key.Subject + ")"
}

// plainName is a subject's name alone, its id where it has none.
func (m *Member) plainName() string { return cmp.Or(m.Name, m.Key.Subject) }

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
		title = manyProbes.with("n", count, "what", aloneProbe(what))
	case subjects > 1 && kind == enclosures:
		title = several.with("scope", n.Scope(), "what", what, "who", n.howMany())
	case subjects > 1:
		title = severalOf.with("scope", n.Scope(), "what", what, "n", count, "kind", kind)
	case n.Cause.Kind == alarm.CauseProbe:
		title = ofScope.with("scope", n.Scope(), "what", aloneProbe(what))
	default:
		title = ofScope.with("scope", n.Scope(), "what", what)
	}
	switch f := worst.figure(s); {
	case f == "":
		return title
	case subjects > 1:
		return withWorst.with("title", title, "value", f)
	default:
		return withValue.with("title", title, "value", f)
	}
}

// aloneProbe is a headline about a probe behind the word "probe" or "probes".
func aloneProbe(what string) string {
	return strings.TrimPrefix(strings.TrimPrefix(what, "probe "), "probes ")
}

// howMany says how many subjects have the worst alarm, and how many any.
func (n *Notice) howMany() string {
	subjects, like, kind := n.subjects(), n.alike(), plural(n.Members[0].Key.Alarm)
	p := likeSome
	switch like {
	case subjects:
		p = likeAll
	case 1:
		p = likeOne
	}
	return p.with("n", strconv.Itoa(like), "kind", kind, "name", n.Members[0].plainName(), "all", strconv.Itoa(subjects))
}

// alike counts the members with the worst one's alarm.
func (n *Notice) alike() int {
	count := 0
	for i := range n.Members {
		if n.Members[i].Key.Alarm == n.Members[0].Key.Alarm {
			count++
		}
	}
	return count
}

// Body is the text of a notice that is not over. spokesman is the member whose
// evidence and advice it gives.
func (n *Notice) Body(spokesman *Member, s unit.Scale) string {
	var b strings.Builder
	if count := n.subjects(); count > 1 {
		b.WriteString(worstFirst.with("n", strconv.Itoa(count), "kind", plural(n.Members[0].Key.Alarm)))
	}
	if n.Shared != nil {
		b.WriteString(n.Shared.line())
	}
	b.WriteString(n.newLine())
	n.lines(&b, s)
	clauses := func(p phrase, list []alarm.Fact) {
		if texts := Facts(list, s); len(texts) > 0 {
			b.WriteString(p.with("list", strings.Join(texts, "; ")))
		}
	}
	clauses(why, spokesman.Detail.Evidence)
	clauses(notCounted, spokesman.Detail.Excused)
	clauses(notKnown, spokesman.Detail.Unknown)
	if !n.ClockSet {
		b.WriteString(string(clockNotSet))
	}
	if first := DoFirst(spokesman.Detail, s); first != "" {
		b.WriteString(firstly.with("do", first))
	}
	return strings.TrimRight(b.String(), "\n")
}

// lines is one line for each subject: its worst alarm, in full for the worst of
// all, and what else it has.
func (n *Notice) lines(b *strings.Builder, s unit.Scale) {
	var seen []string
	for i := range n.Members {
		m := &n.Members[i]
		if slices.Contains(seen, m.Key.Subject) {
			continue
		}
		if len(seen) == listed {
			n.rest(b, seen)
			break
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
}

// line is one alarm in full. What is no enclosure's, or has no figure, is told in
// its sentence, which names its subject.
func (m *Member) line(s unit.Scale) string {
	f := m.figure(s)
	if text := Sentence(m.Said, s); text != "" && (f == "" || plural(m.Key.Alarm) != enclosures) {
		return strings.TrimSuffix(text, ".")
	}
	text := ofScope.with("scope", m.called(), "what", HeadlineOf(m.Key))
	if f != "" {
		text = withValue.with("title", text, "value", f)
	}
	if m.HasLimit && m.HasValue && m.Unit != "" {
		text += withLimit.with("limit", m.shown(s).Limit)
	}
	if r := rate(m.Detail, s); r != "" {
		text = withValue.with("title", text, "value", r)
	}
	return text
}

// shown is the value with its limit, and with the lethal limit where that is told
// beside it.
func (m *Member) shown(s unit.Scale) Shown {
	return m.measure().Text(s)
}

func (m *Member) measure() Figure {
	f := Figure{Alarm: m.Key.Alarm, Value: m.Value, Limit: m.Limit, HasLimit: m.HasLimit, Unit: m.Unit}
	if m.Detail.TimeToCeiling != nil && m.Unit == "°C" {
		f.Lethal = m.Detail.Ceiling
	}
	return f
}

// figure is the one number that says how bad an alarm is, empty for none.
func (m *Member) figure(s unit.Scale) string {
	if !m.HasValue {
		return ""
	}
	return m.measure().Headline(s)
}

// Brief says in one line, without its name, what is wrong with a subject, how far
// it is and how long there is.
func (m *Member) Brief(s unit.Scale) string {
	text := HeadlineOf(m.Key)
	row, _ := alarm.Find(m.Key.Alarm)
	if f := m.figure(s); f != "" && m.Unit != "min" {
		text = withValue.with("title", text, "value", f)
		if l := m.shown(s); m.HasLimit && row.AtLimit {
			text += withLimit.with("limit", l.Limit)
		}
		if row.AtLimit && (!row.Low && m.back() || row.Low && m.HasLimit && m.Value > m.Limit) {
			text += string(backNotLong)
		}
	}
	if ahead := m.lethal(s, true); ahead != "" && m.Key.Alarm != alarm.LethalCeiling {
		text += "; " + ahead
	}
	return text
}

// steady in °C/h is too slow to be worth a word.
const steady = 0.2

// rate writes how fast the temperature moves, empty for hardly.
func rate(d *alarm.Detail, s unit.Scale) string {
	if !d.HasRate {
		return ""
	}
	return Rate(unit.TemperatureDelta(d.RatePerHour), s)
}

// Rate writes how far a temperature moves in an hour, empty for hardly.
func Rate(perHour unit.TemperatureDelta, s unit.Scale) string {
	p := risingBy
	switch {
	case math.Abs(float64(perHour)) < steady:
		return ""
	case perHour < 0:
		p, perHour = fallingBy, -perHour
	}
	return p.with("rate", perHour.Text(s, 1))
}
