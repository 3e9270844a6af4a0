package alert

import (
	"cmp"
	"encoding/json"
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A Member is one alarm as a notice tells it, with the value that it had last.
type Member struct {
	alarm.Onset
	Name  string          `json:"name,omitempty"`
	State alarm.State     `json:"state"`
	Ended sensors.Instant `json:"ended,omitzero"`
	By    string          `json:"by,omitempty"`   // who acted last
	Gone  bool            `json:"gone,omitempty"` // it ended since the configuration has its subject no more
	Ledger
}

// UnmarshalJSON also reads the furthest value of an older document.
func (m *Member) UnmarshalJSON(data []byte) error {
	type plain Member
	var old struct {
		plain
		Peak      *float64 `json:"peak"`
		PeakLimit float64  `json:"peak_limit"`
	}
	if err := json.Unmarshal(data, &old); err != nil {
		return err
	}
	if *m = Member(old.plain); m.Peak == nil && old.Peak != nil && m.HasLimit {
		m.Peak = &alarm.Peak{Value: *old.Peak, Limit: cmp.Or(old.PeakLimit, m.Limit), At: m.Since}
	}
	return nil
}

// Active reports whether the condition behind m still holds, as far as a
// person needs to hear of it: put away by a person or by design counts as not.
func (m Member) Active() bool { return m.State == alarm.Unack || m.State == alarm.Acked }

// counts reports whether m is a reason to tell anybody.
func counts(m *Member) bool { return m.Active() && m.Priority > alarm.Note }

// calls reports whether m is a wake alarm that nobody answered.
func calls(m *Member) bool { return counts(m) && m.Priority >= alarm.Wake && !m.Covered }

// memberRank orders urgency: the lethal limit is above every other wake.
func memberRank(m *Member) int {
	if m.Key.Alarm == alarm.LethalLimit {
		return int(alarm.Wake) + 1
	}
	return int(m.Priority)
}

// weight orders alarms of one urgency by what they mean for the animals.
func weight(a alarm.ID) int { row, _ := alarm.Find(a); return row.Weight }

// heat reports whether an alarm is one of heat, which is told by what is left
// until the lethal limit.
func heat(a alarm.ID) bool { row, _ := alarm.Find(a); return row.Heat }

// restart begins a new story under the same onset.
func (m *Member) restart(t *rules.Transition) {
	m.Since, m.Peak, m.HasValue = t.Since, nil, false
	m.anew(t.At.Mono)
}

// anew begins the ledger of what rings again. What it rang unanswered moments ago counts
// for the next person's turn: one that comes and goes for hours reaches them too.
func (m *Member) anew(now time.Duration) {
	next := Ledger{}
	if !m.Covered && m.State.Unanswered() && m.State.Over() && now-m.Ended.Mono < ringsOn {
		next.Rang = m.Rang
		if len(m.Named) > 0 {
			next.Rang += rules.Seconds(m.Ended.Mono - m.ToldAt)
		}
	}
	m.Ledger = next
}

// ringsOn is for how long an alarm may be over and go on with its ringing: between two
// repeats of a wake notice nobody hears that it was over.
const ringsOn = 30 * time.Minute

func (m *Member) same(t *rules.Transition) bool { return m.Key == t.Key && m.Seq == t.Seq }

// changedBy reports whether t brings m more than drift, which is kept in
// memory: a crash loses no more of it than the rules say again, and the card
// is spared.
func (m *Member) changedBy(t *rules.Transition) bool {
	return !m.same(t) || m.State != t.To || m.Priority != t.Priority || m.Cause != t.Cause || t.By != "" && t.By != m.By
}

// take copies what t says of values, state and words. The last value stays where t has
// none, and the onset's time, whatever later transitions say.
func (m *Member) take(t *rules.Transition, name string) {
	if t.HasValue {
		m.measure(&t.Onset)
	}
	was := *m
	m.Onset, m.Name, m.State = t.Onset, name, t.To
	m.Value, m.HasValue, m.Peak = was.Value, was.HasValue, was.Peak
	if !was.Since.IsZero() {
		m.Since = was.Since
	}
	m.Gone = t.To == alarm.Norm && t.Why == alarm.WhyConfig
	switch {
	case m.Active():
		m.Ended = sensors.Instant{}
	case m.Ended.IsZero() || was.State.PutAway(): // what is only answered or reset later was over before
		m.Ended = t.At
	}
}

// measure takes over a value, and the furthest of all rises that m tells of.
func (m *Member) measure(t *alarm.Onset) {
	row, _ := alarm.Find(m.Key.Alarm)
	m.Peak = m.Peak.Further(t.Peak, row.Low)
	m.Value, m.HasValue = t.Value, true
}

// worstFirst puts what is active first, then the more urgent, then what means
// more, then what is past its limit and not on its way back, then what reaches the
// lethal limit sooner, then what is further past its limit.
func worstFirst(a, b Member) int {
	ca, cb := counts(&a), counts(&b)
	if ca != cb {
		if ca {
			return -1
		}
		return 1
	}
	if c := cmp.Or(cmp.Compare(memberRank(&b), memberRank(&a)), cmp.Compare(weight(b.Key.Alarm), weight(a.Key.Alarm))); c != 0 {
		return c
	}
	pa, pb := past(&a), past(&b)
	switch {
	case pa < 0 && pb >= 0:
		return 1
	case pb < 0 && pa >= 0:
		return -1
	}
	ta, tb := a.Detail.TimeToLethal, b.Detail.TimeToLethal
	switch {
	case ta != nil && tb != nil:
		if c := cmp.Compare(ta.FromMinutes, tb.FromMinutes); c != 0 {
			return c
		}
	case ta != nil:
		return -1
	case tb != nil:
		return 1
	}
	if a.Unit == b.Unit {
		if c := cmp.Compare(pb, pa); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(a.Key.Subject, b.Key.Subject), cmp.Compare(a.Key.Alarm, b.Key.Alarm))
}

// past is how far m's value lies past its limit: on either side where that is no
// limit to stay on one side of, else less than 0 on the way back.
func past(m *Member) float64 {
	if !m.HasValue || !m.HasLimit {
		return 0
	}
	switch row, _ := alarm.Find(m.Key.Alarm); {
	case !row.AtLimit:
		return max(m.Value-m.Limit, m.Limit-m.Value)
	case row.Low:
		return m.Limit - m.Value
	}
	return m.Value - m.Limit
}

// A Ledger is what an onset knows of itself since it rings: which versions named
// it, to whom they were handed, and who answered. It stands in the Member, and so
// in the document of its notice. Whom to tell next, what is repeated and what an
// answer covers follow from it.
type Ledger struct {
	// Told says that the version said last told of it as active, Covered that
	// an acknowledgement covers it.
	Told    bool `json:"told,omitempty"`
	Covered bool `json:"covered,omitempty"`
	// Named lists the versions that first named it, one for each notice that it
	// stood under; ToldAt is when the first was said, in running time. Heard says
	// that one of them was handed over to somebody.
	Named  []Naming      `json:"named,omitempty"`
	ToldAt time.Duration `json:"told_at,omitempty"`
	Heard  bool          `json:"heard,omitempty"`
	// Rang is for how long it rang before, unanswered, while it came and went.
	Rang rules.Seconds `json:"rang,omitempty"`
	// Handed says to whom, and Answered who answered; an older document has neither.
	Handed   []Handing  `json:"handed,omitempty"`
	Answered *Answering `json:"answered,omitempty"`
}

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

// rungSince is since when the next person's turn is counted.
func (l *Ledger) rungSince() time.Duration { return l.ToldAt - l.Rang.D() }

// namedBy reports whether a notice named it in a version or before it.
func (l *Ledger) namedBy(notice string, version int) bool {
	return slices.ContainsFunc(l.Named, func(n Naming) bool { return n.Notice == notice && n.Version <= version })
}

// name notes a version that names it.
func (l *Ledger) name(n Naming, now time.Duration) {
	if l.namedBy(n.Notice, n.Version) {
		return
	}
	if len(l.Named) == 0 {
		l.ToldAt = now
	}
	l.Named = append(slices.Clip(l.Named), n)
}

// hand notes that a channel took over what names it.
func (l *Ledger) hand(h Handing) {
	if !l.handedTo(h.Person) {
		l.Handed = append(slices.Clip(l.Handed), h)
	}
	l.Heard = true
}

// handedTo reports whether a person was handed a message that names it; whoever asks,
// where an older version did not keep to whom.
func (l *Ledger) handedTo(person string) bool {
	return l.Heard && len(l.Handed) == 0 || slices.ContainsFunc(l.Handed, func(h Handing) bool { return h.Person == person })
}

func (l *Ledger) answer(a Answering) {
	if !l.Covered {
		l.Covered, l.Answered = true, &a
	}
}
