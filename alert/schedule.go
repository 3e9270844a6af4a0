package alert

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
)

const (
	// mostWidened is how often the wait between two updates that are no worsening
	// doubles: what grows for hours is one event.
	mostWidened = 2
	// todayUpdates: a today notice of one kind of alarm tells of its growth so many
	// times less often: it was to be told once.
	todayUpdates = 8
	// stormGrows is the wait before a storm that does not wake tells of its
	// growth; it doubles.
	stormGrows       = time.Minute
	mostStormWidened = 5
	// company is how long a wake alarm in a storm waits for others.
	company = 20 * time.Second
	// worthHalving in minutes: below that the next word is that it is here.
	worthHalving = 15
	// unheardFor is how long a wake notice waits for any channel to take it over
	// before the next person is told too.
	unheardFor = 30 * time.Second
)

// A schedule decides what is said of alarms and when: versions, repeats, the next
// person, the end.
type schedule struct {
	*call
	book   *book
	links  *links
	outbox *outbox
}

// evaluate lets one incident's schedule catch up with now.
func (s *schedule) evaluate(in *incident) {
	in.date(s.now)
	switch {
	case in.Ended:
		s.expire(in)
	case in.active():
		if in.QuietSince != 0 {
			in.QuietSince, in.touched = 0, true
		}
		s.speak(in)
		s.ring(in)
	case in.hidden(): // by what is worse, which another notice tells
	case in.QuietSince == 0:
		in.QuietSince, in.touched = s.now.Mono, true
	case s.now.Mono-in.QuietSince >= s.opt.Group:
		// The grouping time again: what ends together ends in one follow-up,
		// and what is only renamed does not end.
		s.end(in)
	}
}

// send hands out what is due. A version of which nothing holds any more, though
// something came since, is made anew; a repeat in which all is answered, though
// something else rings, is left to the next version.
func (s *schedule) send(list []*incident) {
	for _, it := range s.outbox.ready(list) {
		if it.in.needless(it.p) {
			it.p.State, it.in.touched = taken, true
			continue
		}
		if !it.in.Ended && !it.in.aside() && len(it.in.spoken()) == 0 {
			s.say(it.in, it.in.Notice.Kind) // before the cap: it may wake nobody any more
		}
		if !s.outbox.capped(it.in, it.p) {
			s.outbox.dispatch(it.in, it.p)
		}
	}
}

// speak says what is new, if it is time to.
func (s *schedule) speak(in *incident) {
	now := s.now.Mono
	if in.Said == nil {
		if in.lethal() || now >= in.Ready {
			s.say(in, Raise)
		}
		return
	}
	if r := in.rank(); r < in.Said.Rank { // got better: getting worse again is worse
		in.Said.Rank, in.touched = r, true
	}
	if fresh, _ := in.fresh(); !fresh {
		in.FreshAt = 0
	} else if in.FreshAt == 0 {
		in.FreshAt, in.touched = now, true
	}
	if s.urgent(in) {
		s.say(in, Update)
	} else if s.news(in) {
		s.say(in, Update)
		in.Grown++
	}
}

// urgent reports what may not wait: more urgent than said, the lethal limit nearer than
// half of what was said, a wake alarm for which the last version had no room, or one that
// nobody was told of and that had its time for company.
func (s *schedule) urgent(in *incident) bool {
	m := in.minutes()
	if in.rank() > in.Said.Rank || in.rank() == wakeRank && m > 0 && in.Said.Minutes >= worthHalving && m < in.Said.Minutes/2 || in.any(in.leftOut) {
		return true
	}
	waits := s.opt.Group
	if in.several() {
		waits = max(waits, company)
	}
	fresh, lethal := in.fresh()
	return lethal && s.now.Mono-in.Said.At >= s.opt.Group || fresh && s.now.Mono-in.FreshAt >= waits
}

// news reports what is worth a rate-limited update: growth of a wake notice or of
// a storm, another kind of alarm, or another cause; after long, any growth.
func (s *schedule) news(in *incident) bool {
	since, grown, wakes := s.now.Mono-in.Said.At, in.grown(), in.rank() >= wakeRank
	every := updateEvery
	switch {
	case grown && in.several() && since >= stormGrows<<min(in.Grown, mostStormWidened), grown && since >= todayUpdates*every:
		return true
	case since < every<<min(in.Grown, mostWidened):
		return false
	case wakes && (grown || in.Said.Cause != in.Notice.Cause):
		return true
	}
	return in.any(func(m *Member) bool { return counts(m) && !slices.Contains(in.Said.Kinds, m.Key.Alarm) })
}

// say makes the next version of a notice and addresses it. A wake alarm that
// nobody was told of passes everything that waits.
func (s *schedule) say(in *incident, k Kind) {
	n := &in.Notice
	fresh, _ := in.fresh()
	s.renew(in, k)
	if k == Raise {
		s.log(Event{Notice: n.ID, What: event.NoticeRaised})
	}
	if fresh {
		s.startRun(in)
	}
	if in.rank() >= wakeRank && !in.acked() {
		n.AckedBy = ""
	}
	s.outbox.renew(in, fresh)
}

// renew counts up the version and remembers what it says.
func (s *schedule) renew(in *incident, k Kind) {
	n := &in.Notice
	n.Version, in.lost = n.Version+1+in.lost, 0
	n.Kind, n.ClockSet = k, s.now.Synced
	n.Shared = s.opt.shared(in)
	n.Time, n.Since = s.now.Wall.In(s.opt.Location), n.Since.In(s.opt.Location)
	is := &said{At: s.now.Mono, Rank: in.rank(), Minutes: in.minutes(), Cause: n.Cause}
	for m := range n.each() {
		if m.Told = counts(m); !m.Told {
			continue
		}
		m.name(Naming{n.ID, n.Version}, s.now.Mono)
		if !slices.Contains(is.Kinds, m.Key.Alarm) {
			is.Kinds = append(is.Kinds, m.Key.Alarm)
		}
	}
	in.Said, in.FreshAt, in.touched = is, 0, true
	if k != FollowUp {
		in.leaveOut()
	}
}

// ring repeats a wake notice until all that was told is answered, and
// escalates it.
func (s *schedule) ring(in *incident) {
	if in.Said == nil {
		return
	}
	first, calling := in.unanswered()
	switch {
	case !calling && in.Ringing == 0:
		return
	case !calling:
		if in.acked() { // alarm by alarm, through the rules
			s.acknowledged(in, in.ackedBy())
		} else {
			in.stopRun()
		}
		return
	case in.Ringing == 0: // it rang under another notice
		s.startRun(in)
	}
	if turn := s.opt.People[0].ID; in.First != turn {
		if in.First != "" {
			s.handOver(in)
		}
		in.First, in.touched = turn, true
	}
	if in.touched { // another notice may have brought the turn of the next
		s.outbox.address(in)
	}
	for in.Level+1 < len(s.opt.People) && s.nextPerson(in, first) {
		s.escalate(in, first)
	}
	if s.now.Mono >= in.NextRepeat {
		s.repeat(in)
	}
}

// repeat sends a notice again, after long only now and then; with news it is a new
// version.
func (s *schedule) repeat(in *incident) {
	now := s.now.Mono
	in.Repeated, in.touched = in.Repeated+1, true
	if in.NextRepeat = now + interval(in.Repeated); now-in.Ringing >= s.opt.RepeatFor {
		in.NextRepeat = now + rareRepeat
	}
	if in.changed() {
		s.say(in, Update)
	} else {
		s.outbox.renew(in, false)
	}
}

// startRun begins the repeats anew, for the newest alarm. Where nothing rang,
// the first person is told again before the next.
func (s *schedule) startRun(in *incident) {
	if in.Ringing == 0 {
		in.Level, in.LevelAt = 0, 0
	}
	s.rerun(in)
}

func (s *schedule) rerun(in *incident) {
	in.Ringing, in.Repeated, in.touched = s.now.Mono, 0, true
	in.NextRepeat = s.now.Mono + interval(0)
}

// nextPerson reports whether another person is to be told: those before were
// given their time since the first unanswered alarm was told, or they cannot
// be reached.
func (s *schedule) nextPerson(in *incident, first time.Duration) bool {
	return s.now.Mono >= s.turn(in, first) || s.unheard(in)
}

// turn is when the time of those who were told is over.
func (s *schedule) turn(in *incident, first time.Duration) time.Duration {
	return max(in.LevelAt, first) + s.opt.People[in.Level].EscalateAfter.D()
}

// escalate goes on to the next person, also where the repeats are rare by now: then
// a new run begins, since that person has heard nothing yet.
func (s *schedule) escalate(in *incident, first time.Duration) {
	e := Event{Notice: in.Notice.ID, What: event.NoticeEscalated}
	if s.unheard(in) {
		e.Why = "nobody before could be reached"
	}
	in.Level, in.LevelAt, in.touched = in.Level+1, min(s.now.Mono, s.turn(in, first)), true
	e.Person = s.opt.People[in.Level].ID
	s.log(e)
	if in.changed() { // what came from another notice as well
		s.say(in, Update)
	}
	s.hand(in, e.Person)
	if s.now.Mono-in.Ringing >= s.opt.RepeatFor {
		s.rerun(in)
	}
}

// hand sends the present version to a person whose turn it is.
func (s *schedule) hand(in *incident, person string) {
	s.outbox.address(in)
	for _, p := range in.Out {
		if p.Person == person {
			s.outbox.makeDue(p, in, true)
		}
	}
}

// handOver goes on with whoever is first now: they are told of all that is active
// and have their time to answer it. Whose turn it is no longer is rung no more.
func (s *schedule) handOver(in *incident) {
	in.Answerer = ""
	in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool {
		if s.opt.onDuty(in, p.Person) || p.State != due {
			return false
		}
		p.State = taken
		return p.Sent == 0
	})
	in.LevelAt = s.now.Mono
	s.rerun(in)
	if in.changed() {
		s.say(in, Update)
	}
	s.hand(in, s.opt.People[0].ID)
}

// unheard reports whether nobody whose turn it is has taken over what calls in a
// wake notice, and waiting longer has no sense: every channel of theirs is dead or
// had its time, or fails while somebody before had theirs.
func (s *schedule) unheard(in *incident) bool {
	unheard, since := false, s.now.Mono
	for m := range in.Notice.each() {
		if calls(m) && m.Told && len(m.Named) > 0 && !s.heard(in, m) {
			unheard, since = true, min(since, m.ToldAt)
		}
	}
	if !unheard {
		return false
	}
	long := s.now.Mono-since >= unheardFor
	return long && s.now.Mono-in.LevelAt >= unheardFor || !slices.ContainsFunc(s.opt.targets(in.Level+1), func(t target) bool {
		return !s.links.dead(t) && !(long && s.links.failing(t.channel))
	})
}

// heard reports whether somebody whose turn it is was handed what names m.
func (s *schedule) heard(in *incident, m *Member) bool {
	return slices.ContainsFunc(s.opt.People[:in.Level+1], func(p configs.Person) bool { return m.handedTo(p.ID) }) ||
		slices.ContainsFunc(in.Out, func(p *parcel) bool { return s.opt.onDuty(in, p.Person) && m.namedBy(in.Notice.ID, p.Confirmed) })
}

// end closes an incident with its one follow-up. A today notice that came and
// went before it was told is left to the summary.
func (s *schedule) end(in *incident) {
	in.stopRun()
	in.Ended, in.Grown = true, 0
	s.log(Event{Notice: in.Notice.ID, What: event.NoticeEnded})
	told := in.Said != nil
	if !told && in.Notice.Priority < alarm.Wake {
		s.book.forget(in)
		return
	}
	s.renew(in, FollowUp)
	if !told {
		s.outbox.addressWake(in)
	}
	s.outbox.addressHeard(in)
	for _, p := range in.Out {
		s.outbox.makeDue(p, in, false)
		p.Deadline = s.now.Mono + keepFor
	}
}

// expire forgets an ended incident when its follow-up has been taken over or
// given up everywhere and no alarm of it can come back under the same onset.
func (s *schedule) expire(in *incident) {
	for _, p := range in.Out {
		if p.State == due || p.State == out {
			return
		}
	}
	for m := range in.Notice.each() {
		if m.State != alarm.Norm && s.book.byKey[m.Key] == in {
			return
		}
	}
	s.book.forget(in)
}

// answer takes in an answer to a notice, and returns the alarms that it covers.
func (s *schedule) answer(in *incident, a Answering) ([]alarm.Key, error) {
	if in.Said == nil { // seen on the page before it was sent
		s.say(in, Raise)
	}
	answered, person := in.acked(), s.opt.idOf(a.By)
	moved := s.answerMoved(in, a, person)
	keys, useful := in.cover(a, person)
	if !useful && !answered && !in.calling() && in.grown() && (a.Version == 0 || a.Version == in.Notice.Version) {
		// Milder news wait for hours to be told; who answers saw them on the page.
		s.say(in, Update)
		a.Notice, a.Version = in.Notice.ID, in.Notice.Version
		keys, useful = in.cover(a, person)
	}
	if useful || answered {
		s.answered(in, a.By)
	} else if len(moved) == 0 {
		return nil, ErrOldVersion
	}
	return append(keys, moved...), nil
}

// answerMoved covers what the notice named and what stands under another by now.
func (s *schedule) answerMoved(in *incident, a Answering, person string) (keys []alarm.Key) {
	for _, other := range s.book.list() {
		if other == in || other.Ended || !other.any(func(m *Member) bool { return counts(m) && !m.Covered && m.namedBy(a.Notice, math.MaxInt) }) {
			continue
		}
		if more, useful := other.cover(a, person); useful {
			keys = append(keys, more...)
			s.answered(other, a.By)
		}
	}
	return keys
}

// answered notes who answered all or part of a notice.
func (s *schedule) answered(in *incident, by string) {
	if in.acked() {
		s.acknowledged(in, by)
		return
	}
	in.Answerer, in.touched = by, true
	s.log(Event{Notice: in.Notice.ID, What: event.NoticeAcknowledged, Person: by, Why: "in part, there is news since"})
}

// acknowledged records who answered and stops the ringing.
func (s *schedule) acknowledged(in *incident, by string) {
	in.stopRun()
	in.Notice.AckedBy, in.Answerer = by, by
	s.log(Event{Notice: in.Notice.ID, What: event.NoticeAcknowledged, Person: by})
}

// timeOff takes in that nobody watched for off since a running time at.
func (s *schedule) timeOff(in *incident, at, off time.Duration) {
	if in.aside() {
		if in.Opened <= at {
			in.Opened, in.touched = in.Opened-off, true
		}
		return
	}
	for _, p := range in.Out {
		if p.Deadline > 0 && p.Deadline <= at+keepFor {
			p.Deadline, in.touched = max(1, p.Deadline-off), true
		}
	}
	if first, calling := in.unanswered(); calling && !in.Ended && first <= at {
		s.ringAfter(in, at, off)
	}
}

// ringAfter begins the repeats anew after a time off and lets it count for the
// next person's turn.
func (s *schedule) ringAfter(in *incident, at, off time.Duration) {
	now, heard := s.now.Mono, false
	for m := range in.Notice.each() {
		if calls(m) && m.ToldAt <= at && s.heard(in, m) {
			m.ToldAt -= off
			heard = true
		}
	}
	if heard && in.LevelAt <= at {
		in.LevelAt = max(in.LevelAt-off, now+s.opt.Group-s.opt.People[in.Level].EscalateAfter.D())
	}
	s.rerun(in)
	in.NextRepeat = now + s.opt.Group
}
