package alert

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/event"
)

type addressed struct {
	in *incident
	p  *parcel
}

// Back-off after passing errors doubles from the first to the last.
const (
	firstBackoff     = 2 * time.Second
	lastBackoffWake  = 30 * time.Second
	lastBackoffToday = 5 * time.Minute
	longestHold      = 24 * time.Hour // a clock that stands still holds nothing for ever
)

// An outbox brings notices to people: what waits, what is on its way, and what is
// tried again.
type outbox struct {
	*call
	book    *book
	links   *links
	attempt uint64 // the last one
	dropped uint64
	sends   map[target][]time.Duration // of the last minute
}

// address makes sure that in has parcels for everybody who is to have it now.
func (o *outbox) address(in *incident) {
	if in.rank() >= wakeRank {
		o.addressWake(in)
	} else if len(in.Out) == 0 {
		o.one(in, o.opt.targets(len(o.opt.People)))
	}
}

// addressWake adds every channel of everybody who is on duty for in.
func (o *outbox) addressWake(in *incident) {
	for _, t := range o.opt.targets(len(o.opt.People)) {
		if o.opt.onDuty(in, t.person) {
			o.parcelFor(in, t)
		}
	}
}

// addressHeard adds whom another notice told of what is in's by now, by the channel that did.
func (o *outbox) addressHeard(in *incident) {
	for _, t := range o.opt.targets(len(o.opt.People)) {
		if !slices.ContainsFunc(in.Out, func(p *parcel) bool { return p.Person == t.person }) && in.any(func(m *Member) bool {
			return slices.ContainsFunc(m.Handed, func(h Handing) bool { return h.Person == t.person && h.Channel == t.channel })
		}) {
			o.parcelFor(in, t)
		}
	}
}

// one sees to it that one of ts takes in over, and reports whether one has: the
// next is asked where one is dead, lost it, or had its time, and all of the rest
// where all are dead. Once one has taken it, the others need not.
func (o *outbox) one(in *incident, ts []target) bool {
	of := func(p *parcel) bool {
		return slices.ContainsFunc(ts, func(t target) bool { return t.person == p.Person })
	}
	if slices.ContainsFunc(in.Out, func(p *parcel) bool { return of(p) && p.State == taken }) {
		n := len(in.Out)
		in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return of(p) && p.Sent == 0 && p.State != out })
		in.touched = in.touched || len(in.Out) != n
		return true
	}
	for i := len(in.Out) - 1; i >= 0; i-- {
		if p := in.Out[i]; of(p) {
			if o.mayStill(in, p) {
				return false
			}
			break
		}
	}
	ts = slices.DeleteFunc(slices.Clone(ts), func(t target) bool { return in.parcel(t) != nil })
	if i := slices.IndexFunc(ts, func(t target) bool { return !o.links.dead(t) }); i >= 0 {
		ts = ts[i : i+1]
	}
	for _, t := range ts {
		o.parcelFor(in, t)
	}
	return false
}

// mayStill reports whether p, of which one channel is enough, is waited for.
func (o *outbox) mayStill(in *incident, p *parcel) bool {
	worn := in.Notice.Kind == Silence && p.Fails >= 2
	return o.opt.reaches(p) && p.State != lost && !worn && !o.links.dead(target{p.Person, p.Channel}) && o.now.Mono-p.DueSince < fallbackAfter || o.held(p)
}

// parcelFor adds in's parcel for t, due at once, if there is none.
func (o *outbox) parcelFor(in *incident, t target) {
	if in.parcel(t) != nil {
		return
	}
	p := &parcel{Delivery: Delivery{
		ID:       in.Notice.ID + "|" + t.person + "|" + t.channel,
		NoticeID: in.Notice.ID, Person: t.person, Channel: t.channel,
	}}
	in.Out = append(in.Out, p)
	o.makeDue(p, in, false)
}

// makeDue asks for the present version to be sent. A parcel that waits for a
// retry, or that is with the courier, keeps its place unless the news is
// urgent, or more urgent than what it waits with.
func (o *outbox) makeDue(p *parcel, in *incident, urgent bool) {
	urgent = urgent || in.Notice.Priority > p.Priority
	if p.Version != in.Notice.Version {
		p.Recalled = 0
	}
	p.Version, p.Kind, p.Priority = in.Notice.Version, in.Notice.Kind, in.Notice.Priority
	p.Lethal = in.lethal()
	waits := p.State == out || p.State == due
	if !waits {
		p.DueSince = o.now.Mono
	}
	if urgent || !waits { // else the result, or the retry, sees to the newer version
		p.State, p.NotBefore, p.Fails = due, o.now.Mono, 0
	}
	in.touched = true
}

func (o *outbox) renew(in *incident, urgent bool) {
	o.address(in)
	for _, p := range in.Out {
		if o.opt.concerns(in, p) {
			o.makeDue(p, in, urgent)
		}
	}
}

// readdress follows a change of the people. What rings is handed over by the
// schedule, and what was answered is left to those who were told.
func (o *outbox) readdress(in *incident) {
	in.Level = max(0, min(in.Level, len(o.opt.People)-1))
	turned := in.First != "" && in.First != o.opt.People[0].ID
	if in.Said != nil && !in.Ended && !in.aside() && (!turned || !slices.ContainsFunc(in.Out, o.opt.reaches)) {
		o.address(in)
	}
}

// resume goes on with what an earlier run had for delivery.
func (o *outbox) resume(in *incident) {
	in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p == nil })
	for _, p := range in.Out {
		o.attempt = max(o.attempt, p.Attempt)
		if p.State == out {
			p.State = due
		}
		if p.State == due {
			p.NotBefore, p.Fails, p.DueSince = o.now.Mono, 0, min(p.DueSince, o.now.Mono)
		}
	}
}

// retry makes what waits for a channel due at once, for one person or with "" for all.
func (o *outbox) retry(channel, person string) {
	for _, p := range o.book.parcels() {
		if p.Channel == channel && p.State == due && (person == "" || p.Person == person) {
			p.NotBefore, p.Fails = o.now.Mono, 0
		}
	}
}

// recall sends again what a channel took over and nobody answered, but not what
// left moments ago: through a connection that comes and goes a version leaves as seldom
// as it is repeated.
func (o *outbox) recall(channel string) {
	for in, p := range o.book.parcels() {
		wait := time.Minute
		if p.Recalled > 0 {
			wait = interval(p.Recalled - 1)
		}
		if p.Channel == channel && p.State == taken && o.now.Mono-p.OutSince >= wait &&
			!in.aside() && !in.Ended && in.calling() && o.opt.onDuty(in, p.Person) {
			o.makeDue(p, in, false)
			p.Recalled++
		}
	}
}

// held reports whether quiet hours keep p back. They do so only while the
// clock is known to be right.
func (o *outbox) held(p *parcel) bool {
	person := o.opt.person(p.Person)
	quiet := person != nil && person.Quiet != nil && p.Priority < alarm.Wake && o.now.Synced &&
		person.Quiet.Covers(o.now.Wall, o.opt.Location)
	if !quiet {
		p.HeldSince = 0
		return false
	}
	if p.HeldSince == 0 {
		p.HeldSince = o.now.Mono
	}
	if o.now.Mono-p.HeldSince >= longestHold {
		return false
	}
	p.DueSince = o.now.Mono
	return true
}

func (o *outbox) ready(list []*incident) []addressed {
	var ready []addressed
	for _, in := range list {
		if in.Notice.Priority < alarm.Wake && in.Said != nil && len(in.Out) > 0 {
			o.one(in, o.opt.targets(len(o.opt.People)))
		}
		n := len(in.Out) // what a channel took before it went counts
		in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p.State == due && !o.opt.reaches(p) })
		in.touched = in.touched || len(in.Out) != n
		for _, p := range in.Out {
			if o.overdue(in, p); o.isReady(in, p) {
				ready = append(ready, addressed{in, p})
			}
		}
	}
	slices.SortStableFunc(ready, func(a, b addressed) int {
		return cmp.Or(graver(a.in, b.in), cmp.Compare(b.p.Priority, a.p.Priority), cmp.Compare(a.p.DueSince, b.p.DueSince))
	})
	return ready
}

// isReady reports whether p is to be sent now. The end of what is over is told in a moment,
// or not yet.
func (o *outbox) isReady(in *incident, p *parcel) bool {
	tells := in.Ended && !o.book.back(in) || in.aside() || in.active()
	return p.State == due && !o.held(p) && o.now.Mono >= p.NotBefore && tells
}

// overdue gives up an attempt without a result, and what is too old to be told.
func (o *outbox) overdue(in *incident, p *parcel) {
	if p.State == out && o.now.Mono-p.OutSince >= o.opt.SendLimit {
		o.failed(in, p, Retryable, 0, "no answer from the channel")
	}
	if in.Ended && p.State == due && p.Deadline > 0 && o.now.Mono >= p.Deadline {
		o.giveUp(in, p, "too old")
	}
}

// capped reports whether a person was sent so much by one channel within a minute
// that p waits. A drill does not, and neither does a version that wakes and that
// nobody took over yet.
func (o *outbox) capped(in *incident, p *parcel) bool {
	if in.Notice.Kind == Silence { // one channel after the other
		return slices.ContainsFunc(in.Out, func(x *parcel) bool {
			return x != p && x.Person == p.Person && (x.State == out || x.State == taken)
		})
	}
	if in.aside() || p.Priority >= alarm.Wake && p.Confirmed < in.Notice.Version {
		return false
	}
	t := target{p.Person, p.Channel}
	o.sends[t] = slices.DeleteFunc(o.sends[t], func(at time.Duration) bool { return o.now.Mono-at >= time.Minute })
	if len(o.sends[t]) >= o.opt.PerMinute {
		return true
	}
	o.sends[t] = append(o.sends[t], o.now.Mono)
	return false
}

func (o *outbox) dispatch(in *incident, p *parcel) {
	p.Version, p.Kind = in.Notice.Version, in.Notice.Kind
	o.attempt++
	p.State, p.OutSince, p.Attempt = out, o.now.Mono, o.attempt
	units := unit.Celsius
	if person := o.opt.person(p.Person); person != nil {
		units, p.Address = unit.ScaleOf(person.Units), person.MailTo
	}
	n := in.Notice
	if n.Kind == Raise || n.Kind == Update { // a version names what it was made for
		n.Members = in.spoken()
	}
	p.Again = p.Confirmed == p.Version
	p.Message = Render(n, units)
	p.Message.To, p.Message.Sent = p.Person, p.Sent+1
	if o.opt.escalated(in, p.Person) {
		p.Message.Escalated = true
		p.Message.Text = o.opt.preface(in, p) + p.Message.Text
	}
	if o.opt.AckLink != nil && p.Kind != FollowUp && p.Kind != Silence {
		p.Message.Ack = o.opt.AckLink(in.Notice.ID, p.Version)
	}
	o.links.of(p.Channel).Sent++
	o.eff.Send = append(o.eff.Send, p.Delivery)
}

// result takes in what became of a delivery, and returns the notice; nil where
// that was absorbed or forgotten meanwhile.
func (o *outbox) result(r SendResult) *incident {
	for in, p := range o.book.parcels() {
		switch {
		case p.ID != r.Delivery:
			continue
		case r.Err == nil:
			o.arrived(in, p, r)
		case p.State == out && p.Attempt == r.Attempt:
			class, after := ClassOf(r.Err)
			o.failed(in, p, class, after, r.Err.Error())
		}
		return in
	}
	if r.Err == nil {
		o.links.works(r.Delivery[strings.LastIndexByte(r.Delivery, '|')+1:]) // the id ends with the channel's
	}
	return nil
}

// arrived records a confirmed sending, of whichever attempt.
func (o *outbox) arrived(in *incident, p *parcel, r SendResult) {
	o.links.works(p.Channel)
	p.Sent++
	p.Confirmed = max(p.Confirmed, r.Version)
	why := ""
	if tries := o.links.mended(target{p.Person, p.Channel}); tries > 0 {
		why = fmt.Sprintf("after %d failed tries", tries)
		o.retry(p.Channel, p.Person)
	}
	p.Fails = 0
	in.heard(p, r.Version, o.now.Mono)
	switch {
	case r.Version == in.Notice.Version:
		p.State = taken
	case p.Attempt == r.Attempt:
		p.State, p.DueSince, p.NotBefore = due, o.now.Mono, o.now.Mono
	}
	o.log(Event{Notice: in.Notice.ID, What: event.NoticeHandedOver, Person: p.Person, Channel: p.Channel, Why: why, Version: r.Version})
	if in.Drill != nil && in.Drill.Taken != nil {
		if _, ok := in.Drill.Taken[p.Channel]; !ok {
			in.Drill.Taken[p.Channel] = (o.now.Mono - in.Opened).Seconds()
		}
	}
}

// failed plans what follows a failed attempt.
func (o *outbox) failed(in *incident, p *parcel, c Class, after time.Duration, why string) {
	refused := c == Refused || after > lastBackoffWake // who asks for so long is passed over
	if o.links.fails(target{p.Person, p.Channel}, refused, why) {
		o.log(Event{Notice: in.Notice.ID, What: event.NoticeFailed, Person: p.Person, Channel: p.Channel, Why: why})
	}
	p.Fails++
	p.State = due
	last, longest := lastBackoffToday, time.Hour
	if p.Priority >= alarm.Wake { // no server may ask for long where animals may die
		last, longest = lastBackoffWake, lastBackoffWake
	}
	wait := min(firstBackoff<<min(p.Fails-1, 10), last)
	p.NotBefore = o.now.Mono + max(wait, min(after, longest))
}

// giveUp stops trying until the notice is renewed.
func (o *outbox) giveUp(in *incident, p *parcel, why string) {
	p.State, in.touched = lost, true
	o.log(Event{Notice: in.Notice.ID, What: event.NoticeDropped, Person: p.Person, Channel: p.Channel, Why: why})
}

// bound drops the oldest today deliveries when too many wait; wake ones never.
func (o *outbox) bound() {
	var today []addressed
	waiting := 0
	for in, p := range o.book.parcels() {
		if p.State == due || p.State == out {
			waiting++
		}
		if p.State == due && p.Priority < alarm.Wake {
			today = append(today, addressed{in, p})
		}
	}
	excess := min(waiting-o.opt.MaxPending, len(today))
	if excess <= 0 {
		return
	}
	slices.SortStableFunc(today, func(a, b addressed) int { return cmp.Compare(a.p.DueSince, b.p.DueSince) })
	for _, it := range today[:excess] {
		o.dropped++
		o.giveUp(it.in, it.p, fmt.Sprintf("more than %d deliveries wait", o.opt.MaxPending))
	}
}

// onDuty reports whether a person is to hear of a wake notice: by the level of
// escalation, or of news for having answered it.
func (o *Options) onDuty(in *incident, person string) bool {
	if i := o.rankOf(person); i >= 0 && i <= in.Level {
		return true
	}
	return in.Answerer != "" && person == o.idOf(in.Answerer) && in.calling()
}

// concerns reports whether news of in are for whom p reaches.
func (o *Options) concerns(in *incident, p *parcel) bool {
	return in.rank() < wakeRank || o.onDuty(in, p.Person)
}

// escalated reports whether a person hears of in because others before did not
// answer.
func (o *Options) escalated(in *incident, person string) bool {
	i := o.rankOf(person)
	return !in.aside() && in.Notice.Priority >= alarm.Wake && i > 0 && i <= in.Level
}

// preface says to a person why it is their turn, while nobody answered.
func (o *Options) preface(in *incident, p *parcel) string {
	if _, calling := in.unanswered(); !calling || p.Kind == FollowUp {
		return ""
	}
	turn := o.rankOf(p.Person)
	return words.YourTurn(slices.ContainsFunc(in.Out, func(x *parcel) bool { return x.Confirmed > 0 && o.rankOf(x.Person) < turn }))
}
