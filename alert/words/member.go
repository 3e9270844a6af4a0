package words

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// A Member is one alarm as a notice tells it. The value and the limit are those
// of now.
type Member struct {
	alarm.Onset
	Name       string
	State      alarm.State
	Gone       bool   // it ended since the configuration has its subject no more
	By         string // who acted last
	New, Named bool   // first named by this version; by any
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
		return Place(&n.Members[0].Detail)
	case c.Kind == CauseSeveral && n.subjects() != 1:
		return say("several-at-once")
	case c.Kind == alarm.CauseEnclosure || c.Kind == alarm.CauseDoor || inEnglish().Causes[string(c.Kind)] == "":
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
	case row.Of == alarm.OfContact:
		return "contacts"
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

func (m *Member) called() string {
	if m.Name == "" {
		return m.Key.Subject
	}
	return m.Name + " (" + m.Key.Subject + ")"
}

func (m *Member) plainName() string { return cmp.Or(m.Name, m.Key.Subject) }

// howMany says how many subjects have the worst alarm, and how many any.
func (n *Notice) howMany() string {
	subjects, like, kind := n.subjects(), n.alike(), plural(n.Members[0].Key.Alarm)
	p := "like-some"
	switch like {
	case subjects:
		p = "like-all"
	case 1:
		p = "like-one"
	}
	return say(p, "n", strconv.Itoa(like), "kind", kind, "name", n.Members[0].plainName(), "all", strconv.Itoa(subjects))
}

func (n *Notice) alike() int {
	count := 0
	for i := range n.Members {
		if n.Members[i].Key.Alarm == n.Members[0].Key.Alarm {
			count++
		}
	}
	return count
}

// shown is the value of now with what it stands beside.
func (m *Member) shown(s unit.Scale) Shown { return figureOf(&m.Onset, m.Value, m.Limit).Text(s) }

// figure is the one number that says how bad an alarm is, empty for none.
func (m *Member) figure(s unit.Scale) string {
	if !m.HasValue {
		return ""
	}
	return figureOf(&m.Onset, m.Value, m.Limit).Headline(s)
}

// byHeat reports whether an alarm is one of heat, which is told by what is left
// until the lethal limit.
func (m *Member) byHeat() bool { row, _ := alarm.Find(m.Key.Alarm); return row.Heat }

// implies reports whether a line about m has said what o says.
func (m *Member) implies(o *Member) bool {
	return m.byHeat() && o.byHeat() && o.Key.Alarm != alarm.Exposure
}

// warmth is the temperature now with what it stands beside, empty where it is not
// known.
func (m *Member) warmth(s unit.Scale) Shown {
	switch d := m.Detail; {
	case m.Unit == "°C" && m.HasValue:
		return m.shown(s)
	case d.Temperature != 0:
		return Figure{Value: d.Temperature, Unit: "°C", Lethal: d.Lethal}.Text(s)
	}
	return Shown{}
}

// present is the temperature now, or the figure of the alarm where it is not
// known.
func (m *Member) present(s unit.Scale) string {
	if now := m.warmth(s).Value; now != "" {
		return now
	}
	if m.Key.Alarm == alarm.LethalAhead {
		return say("headed-for")
	}
	return m.figure(s)
}

// eased reports whether an enclosure at its lethal limit is below it by now,
// though not for long enough to call it over.
func (m *Member) eased() bool { return m.Key.Alarm == alarm.LethalLimit && m.back() }

// falls reports whether the temperature is known to fall.
func (m *Member) falls() bool { return m.Detail.HasRate && m.Detail.RatePerHour < 0 }

// atLethal is how many enclosures are at their lethal limit now.
func (n *Notice) atLethal() (count int) {
	for i := range n.Members {
		if m := &n.Members[i]; m.Key.Alarm == alarm.LethalLimit && !m.eased() {
			count++
		}
	}
	return count
}

// cooling reports whether an enclosure that was too warm is below the limit by
// now, though not by enough or for long enough to call it over.
func (m *Member) cooling() bool { return m.Key.Alarm == alarm.AboveBand && m.back() }

func (m *Member) back() bool { return m.HasValue && m.HasLimit && m.Value < m.Limit }

// CauseSeveral is the cause of a notice that many causes of their own share,
// since they began within minutes: what lies behind them is one, or at least is
// told as one. Its id says whether they wake.
const CauseSeveral alarm.CauseKind = "several"

// A Shared is what several probes that fail together hang on.
type Shared struct {
	Kind  string `json:"kind"` // "bus", "broker" or "board"
	Name  string `json:"name,omitempty"`
	Count int    `json:"count"` // of the probes that fail
	Of    int    `json:"of"`    // of all that hang on it
}

// line says what probes that fail together have in common.
func (s *Shared) line() string {
	on := map[string]string{"bus": "on the bus " + s.Name, "broker": "read by the broker " + s.Name, "board": "on the board itself"}[s.Kind]
	if s.Count >= s.Of {
		return fmt.Sprintf("They are all %d probes %s: look at that first, and at its supply.\n", s.Of, on)
	}
	return fmt.Sprintf("They are %d of the %d probes %s: look at the supply and the cable or radio that these share.\n", s.Count, s.Of, on)
}

// listed is how many alarms a message spells out before it only names them.
const listed = 6

func (m *Member) sameSubject(o *Member) bool { return o.Key.Subject == m.Key.Subject }
