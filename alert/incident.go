package alert

import (
	"cmp"
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A group is what shares one notice: a cause, and for alarms about dewline
// itself the kind of alarm, since a full card and a dead broker are two things.
type group struct {
	cause rules.Cause
	self  rules.AlarmID
}

func groupOf(c rules.Cause, k rules.Key) group {
	if c.Kind == rules.CauseDewline {
		return group{c, k.Alarm}
	}
	return group{cause: c}
}

// An incident is a notice with what the Desk needs to go on with it after a
// restart. Times are running time; zero means not set.
type incident struct {
	Notice     Notice        `json:"notice"`
	Opened     time.Duration `json:"opened"`
	Ready      time.Duration `json:"ready"` // end of the grouping time
	Said       *said         `json:"said,omitempty"`
	QuietSince time.Duration `json:"quiet_since,omitempty"` // nothing active since
	Ended      bool          `json:"ended,omitempty"`
	Level      int           `json:"level"` // index of the last person told
	LevelAt    time.Duration `json:"level_at,omitempty"`
	FreshAt    time.Duration `json:"fresh_at,omitempty"` // a wake alarm waits since to be told
	Answerer   string        `json:"answerer,omitempty"` // who answered last
	Ringing    time.Duration `json:"ringing,omitempty"`  // start of the present run of repeats
	Repeated   int           `json:"repeated,omitempty"`
	Grown      int           `json:"grown,omitempty"` // updates told
	Grew       time.Duration `json:"grew,omitempty"`  // when a storm last drew something in
	NextRepeat time.Duration `json:"next_repeat,omitempty"`
	Out        []*parcel     `json:"out,omitempty"`
	Drill      *DrillResult  `json:"drill,omitempty"`
	touched    bool
}

// said is what was told last.
type said struct {
	At      time.Duration   `json:"at"`
	Rank    int             `json:"rank"`
	Minutes float64         `json:"minutes,omitempty"` // to the ceiling
	Cause   rules.Cause     `json:"cause"`
	Kinds   []rules.AlarmID `json:"kinds,omitempty"`
}

func (in *incident) member(k rules.Key) *Member {
	for i := range in.Notice.Members {
		if in.Notice.Members[i].Key == k {
			return &in.Notice.Members[i]
		}
	}
	return nil
}

func (in *incident) drill() bool { return in.Notice.Kind == Test }

// aside reports whether in tells of no alarm.
func (in *incident) aside() bool { return in.drill() || in.Notice.Kind == Silence }

// counts reports whether m is a reason to tell anybody.
func counts(m *Member) bool { return m.Active() && m.Priority > rules.Note }

func (in *incident) active() bool {
	for i := range in.Notice.Members {
		if counts(&in.Notice.Members[i]) {
			return true
		}
	}
	return false
}

// memberRank orders urgency: the lethal ceiling is above every other wake.
func memberRank(m *Member) int {
	if m.Key.Alarm == rules.LethalCeiling {
		return int(rules.Wake) + 1
	}
	return int(m.Priority)
}

// rank is the urgency of what is active, 0 for nothing.
func (in *incident) rank() int {
	r := 0
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; counts(m) {
			r = max(r, memberRank(m))
		}
	}
	return r
}

func (in *incident) lethal() bool { return in.rank() > int(rules.Wake) }

// minutes is the shortest time to the ceiling among the active, 0 for unknown.
func (in *incident) minutes() float64 {
	least := 0.0
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if t := m.Detail.TimeToCeiling; counts(m) && t != nil && (least == 0 || t.FromMinutes < least) {
			least = max(t.FromMinutes, 0.1)
		}
	}
	return least
}

// update overwrites what is known of a member by a transition.
func (in *incident) update(t *rules.Transition, name string) {
	m := in.member(t.Key)
	if m == nil {
		in.Notice.Members = append(in.Notice.Members, Member{})
		m = &in.Notice.Members[len(in.Notice.Members)-1]
	}
	material, touched := m.changedBy(t), in.touched
	if !m.same(t) {
		*m = Member{Key: t.Key, Seq: t.Seq, Peak: t.Value}
	}
	again := m.State != alarm.Unack && t.To == alarm.Unack
	if again || t.Priority > m.Priority {
		if t.Priority > m.Priority || !in.flutters(m, t.At.Mono) {
			m.ringAnew()
		}
	}
	if t.To == alarm.Acked {
		m.answer(Answering{By: t.By, At: t.At.Mono})
	}
	if material { // news of an acknowledged alarm leave who did it
		m.By = t.By
	}
	m.take(t, name)
	in.refresh()
	in.touched = touched || material
}

// flutters reports whether m, which rings again, was told moments ago, is not
// answered and is not lethal: the repeats of then go on.
func (in *incident) flutters(m *Member, now time.Duration) bool {
	return m.Heard && !m.Covered && m.Key.Alarm != rules.LethalCeiling && now-m.ToldAt < fluttersFor
}

// fluttersFor is how long an alarm that comes and goes is told once.
const fluttersFor = 5 * time.Minute

// restart begins a new story under the same onset.
func (m *Member) restart(t *rules.Transition) {
	m.Since, m.Peak, m.HasValue = t.Since, t.Value, false
	m.ringAnew()
}

// same reports whether t tells of the onset that m stands for.
func (m *Member) same(t *rules.Transition) bool { return m.Key == t.Key && m.Seq == t.Seq }

// changedBy reports whether t brings m more than drift, which is kept in
// memory: a crash loses no more of it than the rules say again, and the card
// is spared.
func (m *Member) changedBy(t *rules.Transition) bool {
	return !m.same(t) || m.State != t.To || m.Priority != t.Priority || m.Cause != t.Cause || t.By != "" && t.By != m.By
}

// take copies what t says of values, state and words.
func (m *Member) take(t *rules.Transition, name string) {
	if t.HasValue {
		m.measure(t)
	}
	was := m.State
	m.Name, m.State, m.Priority = name, t.To, t.Priority
	m.Limit, m.HasLimit, m.Unit = t.Limit, t.HasLimit, t.Unit
	m.Text, m.Detail, m.Cause = t.Text, t.Detail, t.Cause
	if m.Since.IsZero() {
		m.Since = t.Since // the onset's, whatever later transitions say
	}
	m.Gone = t.To == alarm.Norm && t.Why == alarm.WhyConfig
	switch {
	case m.Active():
		m.Ended = sensors.Instant{}
	case m.Ended.IsZero() || was.PutAway(): // what is only answered or reset later was over before
		m.Ended = t.At
	}
}

// measure takes over a value and remembers the one furthest past the limit of
// its hour, which lies below it where the alarm is one of too little.
func (m *Member) measure(t *rules.Transition) {
	further := (t.Value - t.Limit) - (m.Peak - m.PeakLimit)
	if row, _ := alarm.Find(m.Key.Alarm); row.Low {
		further = -further
	}
	if further > 0 || !m.HasValue {
		m.Peak, m.PeakLimit = t.Value, t.Limit
	}
	m.Value, m.HasValue = t.Value, true
}

// refresh re-sorts the members and derives the notice's priority and onset.
func (in *incident) refresh() {
	n := &in.Notice
	slices.SortStableFunc(n.Members, worstFirst)
	top := rules.Note
	for i := range n.Members {
		m := &n.Members[i]
		if counts(m) {
			top = max(top, m.Priority)
		}
		if w := m.Since.Wall; n.Since.IsZero() || w.Before(n.Since) {
			n.Since = w
		}
	}
	if top > rules.Note { // an ended notice keeps the urgency it had
		n.Priority = top
	}
	in.touched = true
}

// weight orders alarms of one urgency by what they mean for the animals.
func weight(a rules.AlarmID) int { row, _ := alarm.Find(a); return row.Weight }

// worstFirst puts what is active first, then the more urgent, then what means
// more, then what reaches the ceiling sooner, then what is further past its
// limit.
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
	ta, tb := a.Detail.TimeToCeiling, b.Detail.TimeToCeiling
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
		if c := cmp.Compare(past(&b), past(&a)); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(a.Key.Subject, b.Key.Subject), cmp.Compare(a.Key.Alarm, b.Key.Alarm))
}

// past is how far m's value lies past its limit, on either side.
func past(m *Member) float64 {
	if !m.HasValue || !m.HasLimit {
		return 0
	}
	return max(m.Value-m.Limit, m.Limit-m.Value)
}
