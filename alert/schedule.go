package alert

import (
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

const wakeRank = int(rules.Wake)

// evaluate lets one incident's schedule catch up with d.now.
func (d *Desk) evaluate(in *incident) {
	switch {
	case in.drill():
		d.evaluateDrill(in)
	case in.Notice.Kind == Silence:
		d.evaluateSilence(in)
	case in.Ended:
		d.expire(in)
	case in.active():
		if in.QuietSince != 0 {
			in.QuietSince, in.touched = 0, true
		}
		d.speak(in)
		d.ring(in)
	case in.hidden(): // by what is worse, which another notice tells
	case in.QuietSince == 0:
		in.QuietSince, in.touched = d.now.Mono, true
	case d.now.Mono-in.QuietSince >= d.opt.Group:
		// The grouping time again: what ends together ends in one follow-up,
		// and what is only renamed does not end.
		d.end(in)
	}
}

// speak says what is new, if it is time to.
func (d *Desk) speak(in *incident) {
	now := d.now.Mono
	if in.Said == nil {
		if in.lethal() || now >= in.Ready {
			d.say(in, Raise)
		}
		return
	}
	if r := in.rank(); r < in.Said.Rank { // got better: getting worse again is worse
		in.Said.Rank, in.touched = r, true
	}
	fresh, lethal := in.fresh()
	if !fresh {
		in.FreshAt = 0
	} else if in.FreshAt == 0 {
		in.FreshAt, in.touched = now, true
	}
	since, every := now-in.Said.At, d.opt.UpdateEvery
	switch {
	case d.worse(in), lethal && since >= d.opt.Group, fresh && now-in.FreshAt >= in.waits(d.opt.Group):
		d.say(in, Update)
	case in.several() && since >= stormGrows<<min(in.Grown, mostStormWidened) && in.grown(),
		since >= every<<min(in.Grown, mostWidened) && d.news(in),
		since >= todayUpdates*every && in.grown():
		d.say(in, Update)
		in.Grown++
	}
}

// mostWidened is how often the wait between two updates that are no worsening
// doubles: what grows for hours is one event.
const mostWidened = 2

// A today notice of one kind of alarm tells of its growth so many times less
// often: it was to be told once.
const todayUpdates = 8

// waits is how long a wake alarm waits for company under a notice that is told.
func (in *incident) waits(group time.Duration) time.Duration {
	if in.several() {
		return max(group, company)
	}
	return group
}

// hidden reports whether an alarm of in is put aside while a worse one of the same
// enclosure is active.
func (in *incident) hidden() bool {
	return slices.ContainsFunc(in.Notice.Members, func(m Member) bool { return m.State == alarm.Suppressed })
}

// worse reports what may not wait: more urgent than said, or the ceiling
// nearer than half of what was said.
func (d *Desk) worse(in *incident) bool {
	if in.rank() > in.Said.Rank {
		return true
	}
	m := in.minutes()
	return in.rank() == wakeRank && m > 0 && in.Said.Minutes >= worthHalving && m < in.Said.Minutes/2
}

// worthHalving in minutes: below that the next word is that it is here.
const worthHalving = 15

// news reports what is worth a rate-limited update: growth of a wake notice,
// another kind of alarm, or another cause.
func (d *Desk) news(in *incident) bool {
	if in.rank() >= wakeRank && in.grown() {
		return true
	}
	if in.Said.Cause != in.Notice.Cause && in.rank() >= wakeRank {
		return true
	}
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; counts(m) && !slices.Contains(in.Said.Kinds, m.Key.Alarm) {
			return true
		}
	}
	return false
}

// grown reports whether an alarm is active that was not told, or that rings
// again after an acknowledgement.
func (in *incident) grown() bool {
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; counts(m) && !m.Told {
			return true
		}
	}
	return false
}

// ackedBy is the last person who acknowledged an alarm of in.
func (in *incident) ackedBy() string {
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; counts(m) && m.By != "" {
			return m.By
		}
	}
	return ""
}

// say makes the next version of a notice and addresses it. A wake alarm that
// nobody was told of passes everything that waits.
func (d *Desk) say(in *incident, k Kind) {
	n := &in.Notice
	fresh, _ := in.fresh()
	d.renew(in, k)
	if k == Raise {
		d.log(Event{Notice: n.ID, What: "raised"})
	}
	if fresh {
		d.startRun(in)
	}
	if in.rank() >= wakeRank && !in.acked() {
		n.AckedBy = ""
	}
	d.address(in)
	for _, p := range in.Out {
		if d.concerns(in, p) {
			d.makeDue(p, in, fresh)
		}
	}
}

// startRun begins the repeats anew, for the newest alarm. Where nothing rang,
// the first person is told again before the next.
func (d *Desk) startRun(in *incident) {
	now := d.now.Mono
	if in.Ringing == 0 {
		in.Level, in.LevelAt = 0, now
	}
	in.Ringing, in.Repeated, in.touched = now, 0, true
	in.NextRepeat = now + d.interval(in)
}

// stopRun ends the repeats and the escalation. Nobody needs a repeat that waits
// for its channel.
func (in *incident) stopRun() {
	for _, p := range in.Out {
		if p.State == due && p.Confirmed == in.Notice.Version {
			p.State = taken
		}
	}
	in.Ringing, in.Repeated, in.NextRepeat, in.touched = 0, 0, 0, true
}

// renew counts up the version and remembers what it says.
func (d *Desk) renew(in *incident, k Kind) {
	n := &in.Notice
	n.Version++
	n.Kind, n.ClockSet = k, d.now.Synced
	n.Shared = d.shared(in)
	n.Time, n.Since = d.now.Wall.In(d.opt.Location), n.Since.In(d.opt.Location)
	s := &said{At: d.now.Mono, Rank: in.rank(), Minutes: in.minutes(), Cause: n.Cause}
	for i := range n.Members {
		m := &n.Members[i]
		active := counts(m)
		if active || k == FollowUp {
			m.name(n, d.now.Mono)
		}
		m.Told = active
		if active && !slices.Contains(s.Kinds, m.Key.Alarm) {
			s.Kinds = append(s.Kinds, m.Key.Alarm)
		}
	}
	in.Said, in.FreshAt, in.touched = s, 0, true
}

// interval is the wait before the next repeat.
func (d *Desk) interval(in *incident) time.Duration {
	return d.opt.Repeats[min(in.Repeated, len(d.opt.Repeats)-1)]
}

// ring repeats a wake notice until all that was told is answered, and
// escalates it.
func (d *Desk) ring(in *incident) {
	if in.Said == nil {
		return
	}
	first, _, ok := in.unanswered()
	switch {
	case !ok && in.Ringing == 0:
		return
	case !ok:
		if in.acked() { // alarm by alarm, through the rules
			d.acknowledged(in, in.ackedBy())
		} else {
			in.stopRun()
		}
		return
	case in.Ringing == 0: // it rang under another notice
		d.startRun(in)
	}
	for in.Level+1 < len(d.opt.People) && d.nextPerson(in, first) {
		d.escalate(in)
	}
	now := d.now.Mono
	if in.NextRepeat == 0 || now < in.NextRepeat {
		return
	}
	in.touched = true
	if now-in.Ringing >= d.opt.RepeatFor {
		in.NextRepeat = 0
		d.log(Event{Notice: in.Notice.ID, What: "repeats-over"})
		return
	}
	in.Repeated++
	in.NextRepeat = now + d.interval(in)
	if d.changed(in) { // a repeat with news is a new version
		d.say(in, Update)
		return
	}
	d.address(in)
	for _, p := range in.Out {
		if d.concerns(in, p) {
			d.makeDue(p, in, false)
		}
	}
}

// nextPerson reports whether another person is to be told: those before were
// given their time since the first unanswered alarm was told, or they cannot
// be reached.
func (d *Desk) nextPerson(in *incident, first time.Duration) bool {
	return d.now.Mono-max(in.LevelAt, first) >= d.opt.People[in.Level].EscalateAfter || d.unheard(in)
}

// escalate goes on to the next person, also where the repeats are over: then a
// new run begins, since that person has heard nothing yet.
func (d *Desk) escalate(in *incident) {
	now := d.now.Mono
	e := Event{Notice: in.Notice.ID, What: "escalated"}
	if d.unheard(in) {
		e.Why = "nobody before could be reached"
	}
	in.Level, in.LevelAt, in.touched = in.Level+1, now, true
	e.Person = d.opt.People[in.Level].ID
	d.log(e)
	d.address(in)
	for _, p := range in.Out {
		if p.Person == e.Person {
			d.makeDue(p, in, true)
		}
	}
	if in.NextRepeat == 0 {
		in.Ringing, in.Repeated = now, 0
		in.NextRepeat = now + d.interval(in)
	}
}

// changed reports whether a repeat would tell something else than was said.
func (d *Desk) changed(in *incident) bool {
	if in.rank() != in.Said.Rank || in.Notice.Cause != in.Said.Cause {
		return true
	}
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; counts(m) != m.Told {
			return true
		}
	}
	return false
}

// end closes an incident with its one follow-up. A today notice that came and
// went before it was told is left to the summary.
func (d *Desk) end(in *incident) {
	in.stopRun()
	in.Ended, in.Grown = true, 0
	d.shut(in)
	d.log(Event{Notice: in.Notice.ID, What: "ended"})
	told := in.Said != nil
	if !told && in.Notice.Priority < rules.Wake {
		d.forget(in)
		return
	}
	d.renew(in, FollowUp)
	if !told {
		d.addressWake(in)
	}
	for _, p := range in.Out {
		d.makeDue(p, in, false)
		p.Deadline = d.now.Mono + d.opt.Keep
	}
}

// expire forgets an ended incident when its follow-up has been taken over or
// given up everywhere and no alarm of it can come back under the same onset.
func (d *Desk) expire(in *incident) {
	for _, p := range in.Out {
		if p.State == due || p.State == out {
			return
		}
	}
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if m.State != alarm.Norm && d.byKey[m.Key] == in {
			return
		}
	}
	d.forget(in)
}
