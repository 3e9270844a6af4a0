package alert

import (
	"iter"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// Kind says what a notice tells.
type Kind string

// The kinds of notice.
const (
	Raise    Kind = "raise"    // something is wrong
	Update   Kind = "update"   // an open notice grew, shrank or got worse
	FollowUp Kind = "followup" // it is over; at most one for each end
	Test     Kind = "test"     // a drill: nothing is wrong, acknowledge it
	Silence  Kind = "silence"  // somebody put alarms away
)

// A Notice is what is told about one cause, as data: the same for everybody,
// with temperatures in °C. Render makes it a Message.
type Notice struct {
	// ID is the same for the life of the notice, across restarts and re-sends:
	// it is made from the alarm, the subject and the onset that opened it.
	ID string `json:"id"`
	// Version grows with what was said under this id, from 1: re-sends repeat it, and a
	// restart leaves some out.
	Version  int            `json:"version"`
	Kind     Kind           `json:"kind"`
	Room     string         `json:"room"`
	Cause    alarm.Cause    `json:"cause"`
	Priority alarm.Priority `json:"priority"`
	Since    time.Time      `json:"since"` // wall clock of the earliest onset
	Time     time.Time      `json:"time"`  // wall clock of this version
	// ClockSet is false where the board had no time from outside.
	ClockSet bool `json:"clock_set"`
	// Members are the alarms under this notice, worst first; those that have
	// ended stay, after the others, until the notice itself ends.
	Members []Member `json:"members"`
	// Supersedes names the notices that this one absorbed.
	Supersedes []string `json:"supersedes,omitempty"`
	AckedBy    string   `json:"acked_by,omitempty"`
	// Person is whom a drill is for.
	Person string `json:"person,omitempty"`
	// Silenced is what a notice of that kind tells.
	Silenced []words.Silenced `json:"silenced,omitempty"`
	// Shared is what the probes of a storm hang on, nil for nothing in common.
	Shared *words.Shared `json:"shared,omitempty"`
}

// A DrillResult is what a drill measured.
type DrillResult struct {
	ID      string             `json:"id"`
	Person  string             `json:"person"`
	At      sensors.Instant    `json:"at"`
	Taken   map[string]float64 `json:"taken"` // seconds until each channel took it over
	Acked   bool               `json:"acked"`
	AckedIn float64            `json:"acked_in"` // seconds
	AckedBy string             `json:"acked_by,omitempty"`
	Done    bool               `json:"done"`
}

func (n *Notice) each() iter.Seq[*Member] {
	return func(yield func(*Member) bool) {
		for i := range n.Members {
			if !yield(&n.Members[i]) {
				return
			}
		}
	}
}

// An AlarmRef names one alarm of a message, for programs that answer it.
type AlarmRef struct {
	Alarm    alarm.ID       `json:"alarm"`
	Subject  string         `json:"subject"`
	Seq      uint64         `json:"seq"`
	State    string         `json:"state"`
	Priority alarm.Priority `json:"priority"`
}

// A Message is a notice as one person receives it. Its JSON is what the MQTT
// topic and the webhook carry; fields may be added, none is renamed.
type Message struct {
	ID          string         `json:"id"`
	Version     int            `json:"version"`
	Kind        Kind           `json:"kind"`
	Time        time.Time      `json:"time"`
	Since       time.Time      `json:"since"`
	ClockSet    bool           `json:"clock_set"`
	Room        string         `json:"room"`
	Priority    alarm.Priority `json:"priority"`
	Cause       string         `json:"cause"` // kind of the cause: "room", "enclosure"…
	CauseID     string         `json:"cause_id,omitempty"`
	Title       string         `json:"title"`
	Text        string         `json:"text" jsonschema:"in the units of the person it is sent to, and in °C in the list of open notices"`
	FirstAction string         `json:"first_action"`
	Steps       []string       `json:"-"`        // that FirstAction numbers
	Subjects    []string       `json:"subjects"` // worst first
	Alarms      []AlarmRef     `json:"alarms,omitempty"`
	Supersedes  []string       `json:"supersedes,omitempty"`
	Ack         string         `json:"ack,omitempty"`  // link to the page that acknowledges
	To          string         `json:"to,omitempty"`   // person
	Sent        int            `json:"sent,omitempty"` // 1 for the first sending, 2 for its first repeat…
	// Escalated says that the people before did not answer or cannot be reached.
	Escalated bool     `json:"escalated,omitempty"`
	left      []string // subjects that wake and that the text had no room to name
}

// Render has a notice put into words for one reader: every temperature, difference
// and rate is on the reader's scale.
func Render(n Notice, scale unit.Scale) Message {
	m := Message{
		ID: n.ID, Version: n.Version, Kind: n.Kind, Time: n.Time, Since: n.Since, ClockSet: n.ClockSet,
		Room: n.Room, Priority: n.Priority, Cause: string(n.Cause.Kind), CauseID: n.Cause.ID,
		Supersedes: n.Supersedes, Subjects: []string{},
	}
	if n.Kind == Test {
		m.Title, m.Text, m.FirstAction = words.Drill()
		return m
	}
	if n.Kind == Silence {
		m.Title, m.Text, m.FirstAction = words.Silence(n.Silenced, n.Time.Location())
		for _, s := range n.Silenced {
			m.Subjects = append(m.Subjects, s.Subject)
		}
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
	facts := factsOf(&n, shown)
	switch {
	case len(shown) == 0:
		m.Title = facts.Scope()
	case n.Kind == FollowUp:
		m.Title, m.Text = facts.Over(scale)
		m.FirstAction = words.AfterOver()
	default:
		speaks := &facts.Members[spokesman(&n, shown)]
		m.Title = facts.Title(scale)
		m.Text, m.left = facts.Body(speaks, scale)
		m.FirstAction, m.Steps = words.FirstAction(&speaks.Detail, scale), words.FirstSteps(&speaks.Detail, scale)
	}
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

// spokesman is the worst member that has the notice's own cause, whose evidence
// and advice are about that; the worst of all where none says its cause.
func spokesman(n *Notice, ms []Member) int {
	return max(0, slices.IndexFunc(ms, func(m Member) bool { return m.Cause == n.Cause }))
}

func factsOf(n *Notice, ms []Member) *words.Notice {
	w := &words.Notice{Cause: n.Cause, Update: n.Kind == Update, ClockSet: n.ClockSet, AckedBy: n.AckedBy, Shared: n.Shared}
	for i := range ms {
		m := &ms[i]
		f := m.Facts()
		f.New, f.Named = !m.Heard || slices.Contains(m.Named, Naming{n.ID, n.Version}), len(m.Named) > 0
		w.Members = append(w.Members, f)
	}
	if len(ms) > 0 {
		span(w, n, ms)
	}
	return w
}

// Facts are what words about m are made of, with at least one step of what to do first.
func (m *Member) Facts() words.Member {
	f := words.Member{Onset: m.Onset, Name: m.Name, State: m.State, Gone: m.Gone, By: m.By}
	if d := &f.Detail; d.FirstAction == "" && len(d.Steps) == 0 {
		d.Steps = rules.FirstSteps(m.Key.Alarm, m.Cause)
	}
	return f
}

// span notes from when to when what the title speaks of lasted: a milder alarm of
// the same notice may have begun before and ended after.
func span(w *words.Notice, n *Notice, ms []Member) {
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
	w.Lasted = to.Sub(from)
	switch by := to.Wall.Sub(from.Wall); {
	case from.Synced && to.Synced && by >= w.Lasted: // running time leaves out the time off
		w.Lasted = by
	case to.Synced: // the clock was set, or set back, meanwhile
		from.Wall = to.Wall.Add(-w.Lasted)
	case from.Synced:
		to.Wall = from.Wall.Add(w.Lasted)
	}
	for _, i := range []*sensors.Instant{&from, &to} {
		if i.Wall.IsZero() {
			i.Wall = n.Time
		}
	}
	w.From, w.To = from.Wall.In(n.Time.Location()), to.Wall.In(n.Time.Location())
}
