package alert

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

// state is where a parcel is.
type state string

const (
	due   state = "due"   // to be sent when NotBefore and quiet hours allow
	out   state = "out"   // handed to the courier, no result yet
	taken state = "taken" // the other side confirmed the version said last
	lost  state = "lost"  // refused, too old, or too many waited
)

// A parcel is a delivery with its fate.
type parcel struct {
	Delivery
	State     state         `json:"state"`
	DueSince  time.Duration `json:"due_since"`
	OutSince  time.Duration `json:"out_since,omitempty"`
	HeldSince time.Duration `json:"held_since,omitempty"`
	Sent      int           `json:"sent,omitempty"`      // confirmed sendings
	Confirmed int           `json:"confirmed,omitempty"` // newest version taken over
}

// A fault is what a channel does to a person since it last worked for them.
type fault struct {
	tries   int
	refused bool
}

// An addressed is a parcel with the incident that it tells of.
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

// A target is one channel of one person.
type target struct{ person, channel string }

// targets lists everybody's channels in the order of escalation.
func (d *Desk) targets(people int) []target {
	var ts []target
	for _, p := range d.opt.People[:people] {
		for _, c := range p.Channels {
			ts = append(ts, target{p.ID, c})
		}
	}
	return ts
}

// address makes sure that in has parcels for everybody who is to have it now.
func (d *Desk) address(in *incident) {
	if in.rank() >= wakeRank {
		d.addressWake(in)
		return
	}
	if len(in.Out) > 0 {
		return
	}
	all := d.targets(len(d.opt.People))
	for _, t := range all {
		if !d.dead(t.channel) {
			d.parcelFor(in, t)
			return
		}
	}
	d.parcelFor(in, all[0])
}

// addressWake adds every channel of everybody who is on duty for in.
func (d *Desk) addressWake(in *incident) {
	for _, t := range d.targets(len(d.opt.People)) {
		if d.onDuty(in, t.person) {
			d.parcelFor(in, t)
		}
	}
}

// parcelFor returns in's parcel for t, made due if it is new.
func (d *Desk) parcelFor(in *incident, t target) *parcel {
	for _, p := range in.Out {
		if p.Person == t.person && p.Channel == t.channel {
			return p
		}
	}
	p := &parcel{Delivery: Delivery{
		ID:       in.Notice.ID + "|" + t.person + "|" + t.channel,
		NoticeID: in.Notice.ID, Person: t.person, Channel: t.channel,
	}}
	in.Out = append(in.Out, p)
	d.makeDue(p, in, false)
	return p
}

// makeDue asks for the present version to be sent. A parcel that waits for a
// retry, or that is with the courier, keeps its place unless the news is
// urgent.
func (d *Desk) makeDue(p *parcel, in *incident, urgent bool) {
	p.Version, p.Kind, p.Priority = in.Notice.Version, in.Notice.Kind, in.Notice.Priority
	p.Lethal = in.lethal()
	p.Deadline = 0
	if p.Priority < rules.Wake {
		p.Deadline = d.now.Mono + d.opt.Keep
	}
	waits := p.State == out || p.State == due
	if !waits {
		p.DueSince = d.now.Mono
	}
	if urgent || !waits { // else the result, or the retry, sees to the newer version
		p.State, p.NotBefore, p.Fails = due, d.now.Mono, 0
	}
	in.touched = true
}

// held reports whether quiet hours keep p back. They do so only while the
// clock is known to be right.
func (d *Desk) held(p *parcel) bool {
	person := d.person(p.Person)
	quiet := person != nil && person.Quiet != nil && p.Priority < rules.Wake && d.now.Synced &&
		inSpan(d.now.Wall.In(d.opt.Location), person.Quiet.From, person.Quiet.To)
	if !quiet {
		p.HeldSince = 0
		return false
	}
	if p.HeldSince == 0 {
		p.HeldSince = d.now.Mono
	}
	if d.now.Mono-p.HeldSince >= longestHold {
		return false
	}
	p.DueSince = d.now.Mono
	return true
}

// inSpan reports whether t's time of day lies in [from, to), over midnight
// where to is the smaller; equal ends mean never.
func inSpan(t time.Time, from, to configs.ClockTime) bool {
	m := configs.ClockTime(t.Hour()*60 + t.Minute())
	if from <= to {
		return from <= m && m < to
	}
	return m >= from || m < to
}

// handOut fills Effects.Send with what is due, the most urgent first.
func (d *Desk) handOut(list []*incident) {
	var ready []addressed
	for _, in := range list {
		d.settleToday(in)
		for _, p := range in.Out {
			if p.State == out && d.now.Mono-p.OutSince >= d.opt.SendLimit {
				d.failed(in, p, Retryable, 0, "no answer from the channel")
			}
			if in.Ended && p.State == due && p.Deadline > 0 && d.now.Mono >= p.Deadline {
				d.giveUp(in, p, "too old")
			}
			if p.State == due && !d.held(p) && d.now.Mono >= p.NotBefore {
				ready = append(ready, addressed{in, p})
			}
		}
	}
	slices.SortStableFunc(ready, func(a, b addressed) int {
		return cmp.Or(cmp.Compare(b.in.rank(), a.in.rank()), cmp.Compare(b.p.Priority, a.p.Priority),
			cmp.Compare(a.p.DueSince, b.p.DueSince))
	})
	for _, it := range ready {
		if !d.capped(it.in, it.p) {
			d.dispatch(it.in, it.p)
		}
	}
}

// capped reports whether a person was sent so much by one channel within a minute
// that p waits. A drill does not, and neither does a version that wakes and that
// nobody took over yet.
func (d *Desk) capped(in *incident, p *parcel) bool {
	if in.Notice.Kind == Silence { // one channel after the other
		return slices.ContainsFunc(in.Out, func(o *parcel) bool {
			return o != p && o.Person == p.Person && (o.State == out || o.State == taken)
		})
	}
	if in.aside() || p.Priority >= rules.Wake && p.Confirmed < in.Notice.Version {
		return false
	}
	t := target{p.Person, p.Channel}
	d.sends[t] = slices.DeleteFunc(d.sends[t], func(at time.Duration) bool { return d.now.Mono-at >= time.Minute })
	if len(d.sends[t]) >= d.opt.PerMinute {
		return true
	}
	d.sends[t] = append(d.sends[t], d.now.Mono)
	return false
}

// dispatch hands one parcel out.
func (d *Desk) dispatch(in *incident, p *parcel) {
	if !in.Ended && !in.aside() && !in.active() {
		return // its end is told in a moment
	}
	if !in.Ended && !in.aside() && len(in.spoken()) == 0 { // all that was said is over, but not all that came since
		d.say(in, in.Notice.Kind)
	}
	p.Version, p.Kind = in.Notice.Version, in.Notice.Kind
	d.attempt++
	p.State, p.OutSince, p.Attempt = out, d.now.Mono, d.attempt
	person := d.person(p.Person)
	units := Celsius
	if person != nil {
		units = person.Units
		p.Address = person.MailTo
	}
	n := in.Notice
	if n.Kind == Raise || n.Kind == Update { // a version names what it was made for
		n.Members = in.spoken()
	}
	p.Again = p.Confirmed == p.Version
	p.Message = Render(n, units)
	p.Message.To, p.Message.Sent = p.Person, p.Sent+1
	if d.escalated(in, p.Person) {
		p.Message.Escalated = true
		p.Message.Text = d.preface(in, p) + p.Message.Text
	}
	if d.opt.AckLink != nil && p.Kind != FollowUp && p.Kind != Silence {
		p.Message.Ack = d.opt.AckLink(in.Notice.ID, p.Version)
	}
	d.link(p.Channel).sent++
	d.eff.Send = append(d.eff.Send, p.Delivery)
}

// settleToday cares for a notice that one channel is enough for: once one has
// taken it the others need not, and while none does, more are asked.
func (d *Desk) settleToday(in *incident) {
	if in.Notice.Priority >= rules.Wake || in.Said == nil || len(in.Out) == 0 {
		return
	}
	if slices.ContainsFunc(in.Out, func(p *parcel) bool { return p.State == taken }) {
		n := len(in.Out)
		in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p.Sent == 0 && p.State != out })
		in.touched = in.touched || len(in.Out) != n
		return
	}
	for _, t := range d.targets(len(d.opt.People)) {
		last := in.Out[len(in.Out)-1]
		if last.State != lost && !d.dead(last.Channel) && d.now.Mono-last.DueSince < d.opt.Fallback || d.held(last) {
			return
		}
		d.parcelFor(in, t)
	}
}

// Result takes in what became of a delivery handed out by Send.
func (d *Desk) Result(now sensors.Instant, r SendResult) Effects {
	d.begin(now)
	in, p := d.parcel(r.Delivery)
	if p == nil { // its notice was absorbed or forgotten meanwhile
		if r.Err == nil {
			d.works(r.Delivery[strings.LastIndexByte(r.Delivery, '|')+1:])
		}
		return Effects{}
	}
	switch {
	case r.Err == nil:
		d.arrived(in, p, r)
	case p.State == out && p.Attempt == r.Attempt:
		class, after := ClassOf(r.Err)
		d.failed(in, p, class, after, r.Err.Error())
	}
	return d.finishWith([]*incident{in})
}

// parcel finds a delivery by its id.
func (d *Desk) parcel(id string) (*incident, *parcel) {
	notice := id
	for range 2 { // cut off channel and person
		i := strings.LastIndexByte(notice, '|')
		if i < 0 {
			return nil, nil
		}
		notice = notice[:i]
	}
	in := d.byID[notice]
	if in == nil {
		return nil, nil
	}
	for _, p := range in.Out {
		if p.ID == id {
			return in, p
		}
	}
	return nil, nil
}

// works records that a channel took something over.
func (d *Desk) works(channel string) {
	l := d.link(channel)
	l.lastSuccess, l.lastError, l.failingSince, l.refused = d.now, "", 0, false
	l.taken++
	if l.known && l.upSince == 0 {
		l.upSince = max(d.now.Mono, 1)
	}
}

// arrived records a confirmed sending, of whichever attempt.
func (d *Desk) arrived(in *incident, p *parcel, r SendResult) {
	d.works(p.Channel)
	p.Sent++
	p.Confirmed = max(p.Confirmed, r.Version)
	why := ""
	if f := d.faults[target{p.Person, p.Channel}]; f != nil {
		why = fmt.Sprintf("after %d failed tries", f.tries)
		delete(d.faults, target{p.Person, p.Channel})
	}
	p.Fails = 0
	in.heard(p, r.Version, d.now.Mono)
	switch {
	case r.Version == in.Notice.Version:
		p.State = taken
	case p.Attempt == r.Attempt:
		p.State, p.DueSince, p.NotBefore = due, d.now.Mono, d.now.Mono
	}
	d.log(Event{Notice: in.Notice.ID, What: "handed-over", Person: p.Person, Channel: p.Channel, Why: why, Version: r.Version})
	if in.Drill != nil && in.Drill.Taken != nil {
		if _, ok := in.Drill.Taken[p.Channel]; !ok {
			in.Drill.Taken[p.Channel] = (d.now.Mono - in.Opened).Seconds()
		}
	}
}

// failed plans what follows a failed attempt.
func (d *Desk) failed(in *incident, p *parcel, c Class, after time.Duration, why string) {
	l := d.link(p.Channel)
	l.failed++
	if l.failingSince == 0 {
		l.failingSince = d.now.Mono
	}
	p.Fails++
	f := d.faults[target{p.Person, p.Channel}]
	if f == nil || f.refused != (c == Refused) { // a steady fault makes one line
		d.log(Event{Notice: in.Notice.ID, What: "failed", Person: p.Person, Channel: p.Channel, Why: why})
	}
	if f == nil {
		f = &fault{}
		d.faults[target{p.Person, p.Channel}] = f
	}
	f.tries, f.refused = f.tries+1, c == Refused
	l.lastError, l.refused, l.failedAt = why, c == Refused, d.now.Mono
	p.State = due
	last, longest := lastBackoffToday, time.Hour
	if p.Priority >= rules.Wake { // no server may ask for long where animals may die
		last, longest = lastBackoffWake, lastBackoffWake
	}
	wait := min(firstBackoff<<min(p.Fails-1, 10), last)
	p.NotBefore = d.now.Mono + max(wait, min(after, longest))
}

// giveUp stops trying until the notice is renewed.
func (d *Desk) giveUp(in *incident, p *parcel, why string) {
	p.State, in.touched = lost, true
	d.log(Event{Notice: in.Notice.ID, What: "dropped", Person: p.Person, Channel: p.Channel, Why: why})
}

// bound drops the oldest today deliveries when too many wait; wake ones never.
func (d *Desk) bound() {
	var today []addressed
	waiting := 0
	for _, in := range d.incidents() {
		for _, p := range in.Out {
			if p.State != due && p.State != out {
				continue
			}
			waiting++
			if p.Priority < rules.Wake && p.State == due {
				today = append(today, addressed{in, p})
			}
		}
	}
	excess := min(waiting-d.opt.MaxPending, len(today))
	if excess <= 0 {
		return
	}
	slices.SortStableFunc(today, func(a, b addressed) int { return cmp.Compare(a.p.DueSince, b.p.DueSince) })
	for _, it := range today[:excess] {
		d.dropped++
		d.giveUp(it.in, it.p, fmt.Sprintf("more than %d deliveries wait", d.opt.MaxPending))
	}
}
