package alert

import (
	"slices"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

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
	said := factsOf(&n, shown)
	switch {
	case len(shown) == 0:
		m.Title = said.Scope()
	case n.Kind == FollowUp:
		m.Title, m.Text = said.Over(scale)
		m.FirstAction = words.AfterOver()
	default:
		speaks := &said.Members[spokesman(&n, shown)]
		m.Title, m.Text = said.Title(scale), said.Body(speaks, scale)
		m.FirstAction = words.FirstAction(speaks.Detail, scale)
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

// factsOf is what words are made of.
func factsOf(n *Notice, ms []Member) *words.Notice {
	out := &words.Notice{Cause: n.Cause, Update: n.Kind == Update, ClockSet: n.ClockSet, AckedBy: n.AckedBy, Shared: n.Shared}
	for i := range ms {
		m := &ms[i]
		f := m.Facts()
		f.New, f.Named = slices.Contains(m.Named, Naming{n.ID, n.Version}), len(m.Named) > 0
		out.Members = append(out.Members, f)
	}
	if len(ms) > 0 {
		span(out, n, ms)
	}
	return out
}

// Facts are what words about m are made of.
func (m *Member) Facts() words.Member {
	return words.Member{
		Said: alarm.Said{Key: m.Key, Cause: m.Cause, HasValue: m.HasValue, HasLimit: m.HasLimit, Unit: m.Unit, Text: m.Text, Detail: m.advised()},
		Name: m.Name, State: m.State, Gone: m.Gone, By: m.By, Wake: m.Priority >= alarm.Wake,
		Value: m.Value, Limit: m.Limit, Peak: m.Peak, PeakLimit: m.PeakLimit,
	}
}

// advised is the detail with at least one step of what to do first.
func (m *Member) advised() *alarm.Detail {
	if m.Detail.FirstAction != "" || len(m.Detail.Steps) > 0 {
		return &m.Detail
	}
	d := m.Detail
	d.Steps = rules.FirstSteps(m.Key.Alarm, m.Cause)
	return &d
}

// span notes from when to when what the title speaks of lasted: a milder alarm of
// the same notice may have begun before and ended after.
func span(out *words.Notice, n *Notice, ms []Member) {
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
	out.Lasted = to.Sub(from)
	switch by := to.Wall.Sub(from.Wall); {
	case from.Synced && to.Synced && by >= out.Lasted: // running time leaves out the time off
		out.Lasted = by
	case to.Synced: // the clock was set, or set back, meanwhile
		from.Wall = to.Wall.Add(-out.Lasted)
	case from.Synced:
		to.Wall = from.Wall.Add(out.Lasted)
	}
	for _, i := range []*sensors.Instant{&from, &to} {
		if i.Wall.IsZero() {
			i.Wall = n.Time
		}
	}
	out.From, out.To = from.Wall.In(n.Time.Location()), to.Wall.In(n.Time.Location())
}
