package alert

import (
	"math"
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// The ledger is what each onset knows of itself since it rings: which versions
// named it, to whom they were handed, and who answered. It stands in the Member,
// and so in the document of its notice. Whom to tell next, what is repeated and
// what an answer covers follow from it by the functions of this file, which change
// nothing but the ledger.

// A Naming is the first version of a notice that names an alarm.
type Naming struct {
	Notice  string `json:"notice"`
	Version int    `json:"version"`
}

// A Handing is the first version that a channel took over for a person and that
// names an alarm.
type Handing struct {
	Person  string        `json:"person"`
	Channel string        `json:"channel"`
	Notice  string        `json:"notice"`
	Version int           `json:"version"`
	At      time.Duration `json:"at"` // running time
}

// An Answering is the answer that covers an alarm; no notice where it was answered
// by itself.
type Answering struct {
	By      string        `json:"by"`
	Notice  string        `json:"notice,omitempty"`
	Version int           `json:"version,omitempty"` // 0 for what was handed over
	At      time.Duration `json:"at"`                // running time
}

// namedBy reports whether a notice named m in a version or before it.
func (m *Member) namedBy(notice string, version int) bool {
	return slices.ContainsFunc(m.Named, func(n Naming) bool { return n.Notice == notice && n.Version <= version })
}

// ringAnew begins again with who was told and who answered.
func (m *Member) ringAnew() {
	m.Told, m.Covered, m.Heard, m.Named, m.ToldAt = false, false, false, nil, 0
	m.Handed, m.Answered = nil, nil
}

// name notes that the present version of n names m.
func (m *Member) name(n *Notice, now time.Duration) {
	if m.namedBy(n.ID, n.Version) {
		return
	}
	if len(m.Named) == 0 {
		m.ToldAt = now
	}
	m.Named = append(slices.Clip(m.Named), Naming{n.ID, n.Version})
}

// heard notes that a channel took a version of in over for a person.
func (in *incident) heard(p *parcel, version int, now time.Duration) {
	in.touched = true
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if !m.namedBy(in.Notice.ID, version) {
			continue
		}
		if m.Heard = true; !m.handedTo(p.Person) {
			m.Handed = append(slices.Clip(m.Handed), Handing{p.Person, p.Channel, in.Notice.ID, version, now})
		}
	}
}

// handedTo reports whether a person was handed a message that names m.
func (m *Member) handedTo(person string) bool {
	return slices.ContainsFunc(m.Handed, func(h Handing) bool { return h.Person == person })
}

// answer covers m.
func (m *Member) answer(a Answering) {
	if !m.Covered {
		m.Covered, m.Answered = true, &a
	}
}

// acked reports whether an acknowledgement covers all that is active.
func (in *incident) acked() bool {
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if counts(m) && !m.Covered {
			return false
		}
	}
	return true
}

// calls reports whether m is a wake alarm that nobody answered.
func calls(m *Member) bool { return counts(m) && m.Priority >= rules.Wake && !m.Covered }

// calling reports whether a wake alarm calls that nobody answered.
func (in *incident) calling() bool {
	return slices.ContainsFunc(in.Notice.Members, func(m Member) bool { return calls(&m) })
}

// fresh reports whether a wake alarm calls that nobody was told of, and whether
// a lethal one does.
func (in *incident) fresh() (any, lethal bool) {
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; calls(m) && !m.Told && !m.Heard {
			any, lethal = true, lethal || m.Key.Alarm == rules.LethalCeiling
		}
	}
	return any, lethal
}

// unanswered returns when the first and the last of the wake alarms that were
// told and not answered were told; ok is false for none.
func (in *incident) unanswered() (first, last time.Duration, ok bool) {
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if !calls(m) || len(m.Named) == 0 {
			continue
		}
		if !ok || m.ToldAt < first {
			first = m.ToldAt
		}
		last, ok = max(last, m.ToldAt), true
	}
	return first, last, ok
}

// spoken returns the members that the version said last speaks of and that
// still hold.
func (in *incident) spoken() []Member {
	return slices.DeleteFunc(slices.Clone(in.Notice.Members), func(m Member) bool { return !counts(&m) || !m.Told })
}

// cover marks what an answer to a notice covers: what that version named or,
// without one, what was handed to the person who answers. A person to whom nothing
// was handed saw it elsewhere: what anybody was handed, or else what was said. It
// returns the alarms to acknowledge with the rules, and whether the answer was of
// any use.
func (in *incident) cover(a Answering, person string) (keys []rules.Key, useful bool) {
	all := func(m *Member) bool { return m.namedBy(a.Notice, math.MaxInt) }
	covers := func(m *Member) bool { return m.namedBy(a.Notice, a.Version) }
	if a.Version == 0 {
		covers = all
		for _, f := range []func(m *Member) bool{func(m *Member) bool { return m.handedTo(person) }, func(m *Member) bool { return m.Heard }} {
			if slices.ContainsFunc(in.Notice.Members, func(m Member) bool { return all(&m) && f(&m) }) {
				covers = func(m *Member) bool { return all(m) && f(m) }
				break
			}
		}
	}
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if !covers(m) {
			continue
		}
		useful = useful || !m.Covered
		if m.State == alarm.Unack || m.State == alarm.RTNUN || m.State == alarm.LatchUnack {
			keys = append(keys, m.Key)
		}
		m.answer(a)
	}
	return keys, useful
}
