package alert

import (
	"math"
	"slices"
	"time"

	"dewline/rules/alarm"
)

// What follows from the ledger for a whole notice; nothing here changes anything
// but the ledger.

// heard notes that a channel took a version of in over for a person. What no longer
// held may have been left out of it.
func (in *incident) heard(p *parcel, version int, now time.Duration) {
	in.touched = true
	for m := range in.Notice.each() {
		if counts(m) && m.namedBy(in.Notice.ID, version) {
			m.hand(Handing{p.Person, p.Channel, in.Notice.ID, version, now})
		}
	}
}

// acked reports whether an acknowledgement covers all that is active.
func (in *incident) acked() bool {
	return !in.any(func(m *Member) bool { return counts(m) && !m.Covered })
}

// ackedBy is the last person who acknowledged an alarm of in.
func (in *incident) ackedBy() string {
	for m := range in.Notice.each() {
		if counts(m) && m.By != "" {
			return m.By
		}
	}
	return ""
}

// calling reports whether a wake alarm calls that nobody answered.
func (in *incident) calling() bool { return in.any(calls) }

// urgency is that of what rings, 0 where nothing does.
func (in *incident) urgency() int {
	if in.aside() || in.Ended || in.acked() {
		return 0
	}
	return in.rank()
}

// fresh reports whether a wake alarm calls that nobody was told of, and whether
// a lethal one does.
func (in *incident) fresh() (any, lethal bool) {
	for m := range in.Notice.each() {
		if calls(m) && !m.Told && !m.Heard {
			any, lethal = true, lethal || m.Key.Alarm == alarm.LethalLimit
		}
	}
	return any, lethal
}

// unanswered returns when the first of the wake alarms that were told and not
// answered was told; calling is false for none.
func (in *incident) unanswered() (first time.Duration, calling bool) {
	for m := range in.Notice.each() {
		if calls(m) && len(m.Named) > 0 && (!calling || m.ToldAt < first) {
			first, calling = m.ToldAt, true
		}
	}
	return first, calling
}

// spoken returns the members that the version said last speaks of and that
// still hold.
func (in *incident) spoken() []Member {
	return slices.DeleteFunc(slices.Clone(in.Notice.Members), func(m Member) bool { return !counts(&m) || !m.Told })
}

// needless reports whether p would repeat a version to who has it, of which nothing
// calls any more.
func (in *incident) needless(p *parcel) bool {
	return !in.Ended && !in.aside() && p.Priority >= alarm.Wake && p.Confirmed == in.Notice.Version &&
		!in.any(func(m *Member) bool { return m.Told && calls(m) })
}

// grown reports whether an alarm is active that was not told, or that rings
// again after an acknowledgement.
func (in *incident) grown() bool {
	return in.any(func(m *Member) bool { return counts(m) && !m.Told })
}

// changed reports whether a repeat would tell something else than was said.
func (in *incident) changed() bool {
	return in.rank() != in.Said.Rank || in.Notice.Cause != in.Said.Cause ||
		in.any(func(m *Member) bool { return counts(m) != m.Told })
}

// hidden reports whether an alarm of in is put aside while a worse one of the same
// enclosure is active.
func (in *incident) hidden() bool {
	return in.any(func(m *Member) bool { return m.State == alarm.Suppressed })
}

// cover marks what an answer to a notice covers: what that version named or,
// without one, what was handed to the person who answers. A person to whom nothing
// was handed saw it elsewhere: what anybody was handed, or else what was said. It
// returns the alarms to acknowledge with the rules, and whether the answer was of
// any use.
func (in *incident) cover(a Answering, person string) (keys []alarm.Key, useful bool) {
	all := func(m *Member) bool { return m.namedBy(a.Notice, math.MaxInt) }
	covers := func(m *Member) bool { return m.namedBy(a.Notice, a.Version) }
	if a.Version == 0 {
		covers = all
		for _, f := range []func(m *Member) bool{func(m *Member) bool { return m.handedTo(person) }, func(m *Member) bool { return m.Heard }} {
			if handed := func(m *Member) bool { return all(m) && f(m) }; in.any(handed) {
				covers = handed
				break
			}
		}
	}
	for m := range in.Notice.each() {
		if !covers(m) {
			continue
		}
		useful = useful || !m.Covered
		if m.State.Unanswered() {
			keys = append(keys, m.Key)
		}
		m.answer(a)
	}
	return keys, useful
}

// fillIn makes up for what a document of an earlier version lacks: who was
// told what.
func (in *incident) fillIn() {
	handed := 0
	for _, p := range in.Out {
		if p.Confirmed == 0 && p.Sent > 0 {
			p.Confirmed = p.Version - 1
			if p.State == taken {
				p.Confirmed = p.Version
			}
		}
		handed = max(handed, p.Confirmed)
	}
	for m := range in.Notice.each() {
		if m.Told && m.Named == nil && in.Said != nil {
			m.name(Naming{in.Notice.ID, in.Notice.Version}, in.Said.At)
			m.Heard = m.namedBy(in.Notice.ID, handed)
		}
	}
}
