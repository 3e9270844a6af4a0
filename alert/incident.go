package alert

import (
	"cmp"
	"math"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// CauseSeveral is the cause of a notice that causes of their own share.
const CauseSeveral = words.CauseSeveral

const wakeRank = int(alarm.Wake)

// A group is what shares one notice: a cause, and for alarms about dewline
// itself the kind of alarm, since a full card and a dead broker are two things.
type group struct {
	cause alarm.Cause
	self  alarm.ID
}

func groupOf(c alarm.Cause, k alarm.Key) group {
	if c.Kind == alarm.CauseDewline {
		return group{c, k.Alarm}
	}
	return group{cause: c}
}

func groupIn(in *incident) group {
	if len(in.Notice.Members) == 0 {
		return group{cause: in.Notice.Cause}
	}
	return groupOf(in.Notice.Cause, in.Notice.Members[0].Key)
}

// breadth orders causes by how much of the room they explain.
func breadth(c alarm.Cause) int {
	switch c.Kind {
	case alarm.CauseRoom, alarm.CausePower:
		return 4
	case alarm.CauseShelf, alarm.CauseSupply, alarm.CauseLamps:
		return 3
	case CauseSeveral:
		return 2
	case alarm.CauseEnclosure:
		return 1
	default:
		return 0
	}
}

// ofItsOwn reports whether a cause explains no more than one thing.
func ofItsOwn(c alarm.Cause) bool {
	return breadth(c) <= 1 && (c.Kind != alarm.CauseDewline || c.ID != "")
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
	First      string        `json:"first,omitempty"` // whose turn it was first when it rang last
	Level      int           `json:"level"`           // index of the last person told
	LevelAt    time.Duration `json:"level_at,omitempty"`
	FreshAt    time.Duration `json:"fresh_at,omitempty"` // a wake alarm waits since to be told
	Answerer   string        `json:"answerer,omitempty"` // who answered last
	Ringing    time.Duration `json:"ringing,omitempty"`  // start of the present run of repeats
	Repeated   int           `json:"repeated,omitempty"`
	Grown      int           `json:"grown,omitempty"` // updates told
	Grew       time.Duration `json:"grew,omitempty"`  // when a storm last drew something in
	NextRepeat time.Duration `json:"next_repeat,omitempty"`
	Out        []*parcel     `json:"out,omitempty"`
	Reached    []string      `json:"reached,omitempty"` // persons who were handed a message of it, or of one that it took over
	Drill      *DrillResult  `json:"drill,omitempty"`
	lost       int           // versions that an earlier run may have sent and not kept
	touched    bool
}

type said struct {
	At      time.Duration `json:"at"`
	Rank    int           `json:"rank"`
	Minutes float64       `json:"minutes,omitempty"` // to the lethal limit
	Cause   alarm.Cause   `json:"cause"`
	Kinds   []alarm.ID    `json:"kinds,omitempty"`
}

func (in *incident) member(k alarm.Key) *Member {
	for m := range in.Notice.each() {
		if m.Key == k {
			return m
		}
	}
	return nil
}

func (in *incident) parcel(t target) *parcel {
	for _, p := range in.Out {
		if p.Person == t.person && p.Channel == t.channel {
			return p
		}
	}
	return nil
}

func (in *incident) drill() bool { return in.Notice.Kind == Test }

// aside reports whether in tells of no alarm.
func (in *incident) aside() bool { return in.drill() || in.Notice.Kind == Silence }

func (in *incident) several() bool { return in.Notice.Cause.Kind == CauseSeveral }

func (in *incident) any(f func(m *Member) bool) bool {
	for m := range in.Notice.each() {
		if f(m) {
			return true
		}
	}
	return false
}

func (in *incident) active() bool { return in.any(counts) }

func (in *incident) numActive() (n int) {
	for m := range in.Notice.each() {
		if counts(m) {
			n++
		}
	}
	return n
}

func (in *incident) tells(a alarm.ID) bool {
	return in.any(func(m *Member) bool { return counts(m) && m.Key.Alarm == a })
}

func (in *incident) alone(k alarm.Key) bool {
	return !in.any(func(m *Member) bool { return m.Key != k && counts(m) })
}

// rank is the urgency of what is active, 0 for nothing.
func (in *incident) rank() int {
	r := 0
	for m := range in.Notice.each() {
		if counts(m) {
			r = max(r, memberRank(m))
		}
	}
	return r
}

// graver puts the more urgent first, then what means more for the animals: of two that
// are told once, heat comes before a nozzle.
func graver(a, b *incident) int {
	worst := func(in *incident) (rank, means int) {
		for m := range in.Notice.each() { // worst first
			if counts(m) {
				return memberRank(m), weight(m.Key.Alarm)
			}
		}
		return 0, 0
	}
	ra, wa := worst(a)
	rb, wb := worst(b)
	return cmp.Or(cmp.Compare(rb, ra), cmp.Compare(wb, wa))
}

func (in *incident) lethal() bool { return in.rank() > int(alarm.Wake) }

// minutes is the shortest time to the lethal limit among the active, 0 for unknown.
func (in *incident) minutes() float64 {
	least := 0.0
	for m := range in.Notice.each() {
		if t := m.Detail.TimeToLethal; counts(m) && t != nil && (least == 0 || t.FromMinutes < least) {
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
		*m = Member{Onset: alarm.Onset{Key: t.Key, Seq: t.Seq}}
	}
	again := m.State != alarm.Unack && t.To == alarm.Unack
	if again || t.Priority > m.Priority {
		if t.Priority > m.Priority || !in.flutters(m, t.At.Mono) {
			m.anew(t.At.Mono)
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
	return m.Heard && !m.Covered && m.Key.Alarm != alarm.LethalLimit && now-m.ToldAt < fluttersFor
}

// fluttersFor is how long an alarm that comes and goes is told once.
const fluttersFor = 5 * time.Minute

// refresh re-sorts the members and derives the notice's priority and onset.
func (in *incident) refresh() {
	n := &in.Notice
	slices.SortStableFunc(n.Members, worstFirst)
	top := alarm.Note
	for m := range n.each() {
		if counts(m) {
			top = max(top, m.Priority)
		}
		if w := m.Since.Wall; n.Since.IsZero() || w.Before(n.Since) {
			n.Since = w
		}
	}
	if top > alarm.Note { // an ended notice keeps the urgency it had
		n.Priority = top
	}
	in.touched = true
}

// date gives what began or ended before the clock was set its time.
func (in *incident) date(now sensors.Instant) {
	if !now.Synced || !in.any(func(m *Member) bool { return !m.Since.Synced && !m.Since.IsZero() }) {
		return
	}
	in.Notice.Since = time.Time{}
	for m := range in.Notice.each() {
		for _, at := range []*sensors.Instant{&m.Since, &m.Ended} {
			if !at.Synced && !at.IsZero() {
				*at = sensors.Instant{Mono: at.Mono, Wall: now.Wall.Add(at.Mono - now.Mono), Synced: true}
			}
		}
	}
	in.refresh()
}

// stranger reports whether k, which comes back under a cause of its own, has
// nothing to do with what a narrow notice tells by now.
func (in *incident) stranger(g group, k alarm.Key) bool {
	own := breadth(in.Notice.Cause)
	return own <= 1 && breadth(g.cause) <= own && !in.member(k).Active() && !in.alone(k)
}

func (in *incident) leave(k alarm.Key) {
	in.Notice.Members = slices.DeleteFunc(in.Notice.Members, func(m Member) bool { return m.Key == k })
	in.refresh()
}

// inherit goes on with the repeats and the escalation of what comes from
// another notice.
func (in *incident) inherit(from *incident) {
	switch {
	case from.Ringing == 0:
	case in.Ringing == 0:
		in.Level, in.LevelAt, in.Answerer = from.Level, from.LevelAt, from.Answerer
		in.Ringing, in.Repeated, in.NextRepeat = from.Ringing, from.Repeated, from.NextRepeat
	default:
		in.NextRepeat = min(in.NextRepeat, from.NextRepeat)
		if from.Level > in.Level || from.Level == in.Level && from.LevelAt < in.LevelAt { // whoever is awake stays so
			in.Level, in.LevelAt = from.Level, from.LevelAt
		}
	}
}

// stopRun ends the repeats and the escalation. A repeat that waits for its channel is
// needless when it would leave.
func (in *incident) stopRun() {
	in.Ringing, in.Repeated, in.NextRepeat, in.touched = 0, 0, 0, true
}

// What follows from the ledger for a whole notice; nothing here changes anything
// but the ledger.

// heard notes that a channel took a version of in over for a person. What no longer
// held may have been left out of it.
func (in *incident) heard(p *parcel, version int, now time.Duration) {
	in.touched = true
	in.reach(p.Person)
	for m := range in.Notice.each() {
		if counts(m) && m.namedBy(in.Notice.ID, version) {
			m.hand(Handing{p.Person, p.Channel, in.Notice.ID, version, now})
		}
	}
}

// reach notes who was handed a message, also where what it told of has begun anew since.
func (in *incident) reach(persons ...string) {
	for _, p := range persons {
		if !slices.Contains(in.Reached, p) {
			in.Reached = append(in.Reached, p)
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
		if calls(m) && !m.Heard && (!m.Told || in.leftOut(m)) {
			any, lethal = true, lethal || m.Key.Alarm == alarm.LethalLimit
		}
	}
	return any, lethal
}

// leftOut reports whether the last version had no room for m, though it was taken over:
// the next one has, at once.
func (in *incident) leftOut(m *Member) bool {
	return calls(m) && m.Told && !m.Heard && len(m.Named) == 0 &&
		slices.ContainsFunc(in.Out, func(p *parcel) bool { return p.Confirmed == in.Notice.Version })
}

// unanswered returns since when the first of the wake alarms that were told and not
// answered rings; calling is false for none.
func (in *incident) unanswered() (first time.Duration, calling bool) {
	for m := range in.Notice.each() {
		if calls(m) && len(m.Named) > 0 && (!calling || m.rungSince() < first) {
			first, calling = m.rungSince(), true
		}
	}
	return first, calling
}

// spoken returns the members that the version said last speaks of and that
// still hold.
func (in *incident) spoken() []Member {
	return slices.DeleteFunc(slices.Clone(in.Notice.Members), func(m Member) bool { return !counts(&m) || !m.Told })
}

// leaveOut takes back that the version said last names what its text had no room for, and
// what no version before brought to anybody.
func (in *incident) leaveOut() {
	n := in.Notice
	n.Members = in.spoken()
	left := Render(n, unit.Celsius).left
	for m := range in.Notice.each() {
		if calls(m) && !m.Heard && slices.Contains(left, m.Key.Subject) {
			m.Named = slices.DeleteFunc(slices.Clone(m.Named), func(x Naming) bool { return x.Notice == n.ID })
		}
	}
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
	covers := func(m *Member) bool { return m.namedBy(a.Notice, a.Version) }
	if a.Version == 0 {
		covers = in.handed(a.Notice, person)
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

// handed tells what an answer without a version is about. Of what rose again since a
// message was handed over, that message said nothing.
func (in *incident) handed(notice, person string) func(m *Member) bool {
	for _, to := range []string{person, ""} {
		of := func(m *Member) bool { return m.namedBy(notice, math.MaxInt) && (m.handedTo(to) || to == "" && m.Heard) }
		if in.any(of) || slices.Contains(in.Reached, to) || to == "" && len(in.Reached) > 0 {
			return of
		}
	}
	return func(m *Member) bool { return m.namedBy(notice, math.MaxInt) }
}
