package alert

import (
	"cmp"
	"iter"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
)

// A book holds the notices, and knows under which of them each alarm stands.
type book struct {
	*call
	byID   map[string]*incident // every incident, ended ones included
	sorted []*incident          // the same by id; nil when out of date
	byKey  map[alarm.Key]*incident
}

func newBook(c *call) *book {
	return &book{call: c, byID: make(map[string]*incident), byKey: make(map[alarm.Key]*incident)}
}

// find returns the incident of an id, or the one that absorbed it, or one under which
// stands what it named.
func (b *book) find(id string) *incident {
	if in := b.byID[id]; in != nil {
		return in
	}
	var holds *incident
	for _, in := range b.list() {
		switch {
		case slices.Contains(in.Notice.Supersedes, id):
			return in
		case holds == nil && !in.Ended && in.any(func(m *Member) bool { return m.namedBy(id, math.MaxInt) }):
			holds = in
		}
	}
	return holds
}

// list returns all of them in the order of their ids, so that the same
// inputs give the same effects. The slice is not changed afterwards.
func (b *book) list() []*incident {
	if b.sorted == nil && len(b.byID) > 0 {
		b.sorted = slices.SortedFunc(maps.Values(b.byID), func(x, y *incident) int {
			return strings.Compare(x.Notice.ID, y.Notice.ID)
		})
	}
	return b.sorted
}

// back reports whether some of what in told of, and is over there, is active under another
// notice by now.
func (b *book) back(in *incident) bool {
	return in.any(func(m *Member) bool {
		other := b.byKey[m.Key]
		return other != nil && other != in && other.member(m.Key).Active()
	})
}

func (b *book) parcels() iter.Seq2[*incident, *parcel] {
	return func(yield func(*incident, *parcel) bool) {
		for _, in := range b.list() {
			for _, p := range in.Out {
				if !yield(in, p) {
					return
				}
			}
		}
	}
}

func (b *book) add(in *incident) { b.byID[in.Notice.ID], b.sorted = in, nil }

func (b *book) forget(in *incident) {
	delete(b.byID, in.Notice.ID)
	b.sorted = nil
	maps.DeleteFunc(b.byKey, func(_ alarm.Key, o *incident) bool { return o == in })
	b.eff.Docs = append(b.eff.Docs, docOf(docKey(in.Notice.ID), nil))
}

// open is the notice that new alarms of a group join, nil for none.
func (b *book) open(g group) *incident {
	for _, in := range b.list() {
		if !in.Ended && !in.aside() && groupIn(in) == g {
			return in
		}
	}
	return nil
}

// claim makes in the notice of those of its alarms of which it has the later word.
func (b *book) claim(in *incident) {
	for m := range in.Notice.each() {
		old := b.byKey[m.Key]
		if old == nil {
			b.byKey[m.Key] = in
			continue
		}
		if o := old.member(m.Key); m.Seq > o.Seq || m.Seq == o.Seq && o.State == alarm.Norm {
			b.byKey[m.Key] = in
		}
	}
}

// move hands k over from one incident to another. An incident left with
// nothing active is absorbed: it says nothing more, the other names it.
func (b *book) move(from, to *incident, k alarm.Key) {
	m := *from.member(k)
	from.leave(k) // what stays may be less urgent
	b.bring(m, from, to)
	if !from.active() {
		b.absorb(from, to)
	}
}

// bring puts a member of one incident under another, which goes on with its
// repeats and its escalation.
func (b *book) bring(m Member, from, to *incident) {
	m.Told = false
	if calls(&m) {
		to.inherit(from)
	}
	to.Notice.Members = append(to.Notice.Members, m)
	to.refresh()
	b.byKey[m.Key] = to
}

// absorb ends from without a follow-up, since to goes on telling about it.
func (b *book) absorb(from, to *incident) {
	for _, m := range from.Notice.Members {
		if b.byKey[m.Key] == from && to.member(m.Key) == nil { // else it lives on elsewhere
			b.bring(m, from, to)
		}
	}
	to.Notice.Supersedes = append(to.Notice.Supersedes, from.Notice.Supersedes...)
	if from.Said != nil {
		to.Notice.Supersedes = append(to.Notice.Supersedes, from.Notice.ID)
		if to.Said == nil { // its onset was told before
			to.Ready = min(to.Ready, from.Ready)
		}
	}
	to.touched = true
	to.reach(from.Reached...)
	b.log(Event{Notice: from.Notice.ID, What: event.NoticeMerged, Why: to.Notice.ID})
	b.forget(from)
}

// separate leaves each alarm that tells under one open notice: the one that
// rings, or else the broader. A notice that is left with none is absorbed.
func (b *book) separate() {
	open := slices.DeleteFunc(slices.Clone(b.list()), func(in *incident) bool { return in.Ended || in.aside() })
	slices.SortStableFunc(open, func(x, y *incident) int {
		return cmp.Or(cmp.Compare(y.urgency(), x.urgency()), cmp.Compare(breadth(y.Notice.Cause), breadth(x.Notice.Cause)))
	})
	home := map[alarm.Key]*incident{}
	for _, in := range open {
		var other *incident
		for _, m := range slices.Clone(in.Notice.Members) {
			switch held := home[m.Key]; {
			case !counts(&m):
			case held == nil:
				home[m.Key], b.byKey[m.Key] = in, in
			default:
				in.leave(m.Key)
				other = held
			}
		}
		if other != nil && !in.active() {
			b.absorb(in, other)
		}
	}
}

// reconcile takes in the alarms that are not NORM, and ends those that are.
func (b *book) reconcile(alarms []rules.AlarmView) {
	known := make(map[alarm.Key]bool, len(alarms))
	for i := range alarms {
		v := &alarms[i]
		known[v.Key] = true
		if in := b.byKey[v.Key]; in != nil {
			if m := in.member(v.Key); m.Seq == v.Seq && m.State == v.State && m.Priority == v.Priority {
				continue
			}
		}
		b.take(&rules.Transition{Onset: v.Onset, At: b.now, From: v.State, To: v.State, By: v.AckedBy})
	}
	for _, in := range b.list() {
		for _, m := range slices.Clone(in.Notice.Members) {
			if m.State == alarm.Norm || known[m.Key] || b.byKey[m.Key] != in {
				continue
			}
			t := rules.Transition{Onset: m.Onset, At: b.now, From: m.State, To: alarm.Norm}
			t.Cause, t.Detail = in.Notice.Cause, alarm.Detail{}
			b.take(&t)
		}
	}
}

func (b *book) take(t *rules.Transition) {
	in, active := b.holder(t), rings(t)
	if in == nil && !active {
		return
	}
	g := groupOf(t.Cause, t.Key)
	switch {
	case in == nil:
		in = b.groupFor(g, t)
	case in.Ended && active:
		in = b.reopen(in, g, t)
	case !active || g == groupIn(in) || in.several() && ofItsOwn(t.Cause): // it stays, or is told with the others
	case in.stranger(g, t.Key):
		in.leave(t.Key)
		in = b.groupFor(g, t)
	default:
		in = b.regroup(in, g, t)
	}
	in.update(t, b.opt.Names[t.Key.Subject])
	b.byKey[t.Key] = in
}

// holder is the notice that t's alarm stands under, nil for none: a new onset
// after the end makes a new one.
func (b *book) holder(t *rules.Transition) *incident {
	in := b.byKey[t.Key]
	if in != nil && in.Ended && in.member(t.Key).Seq != t.Seq {
		return nil
	}
	return in
}

// rings reports whether t leaves an alarm in a state to tell of.
func rings(t *rules.Transition) bool {
	return (t.To == alarm.Unack || t.To == alarm.Acked) && t.Priority > alarm.Note
}

// groupFor returns the open incident of g, or a new one named by t.
func (b *book) groupFor(g group, t *rules.Transition) *incident {
	if in := b.open(g); in != nil {
		return in
	}
	if in := b.storm(t); in != nil {
		return in
	}
	id := t.ID()
	for b.byID[id] != nil { // that onset's notice lives on without it
		id += "+"
	}
	in := &incident{
		Notice: Notice{ID: id, Room: b.opt.Room, Cause: t.Cause, Kind: Raise},
		Opened: b.now.Mono, Ready: b.now.Mono + b.opt.Group,
	}
	b.add(in)
	return in
}

// reopen goes on with an ended incident whose same onset is active again, such
// as a latched alarm, unless its cause has an open notice by now. One of many
// that ended together begins a notice of its own: the others stay over.
func (b *book) reopen(in *incident, g group, t *rules.Transition) *incident {
	if other := b.open(g); other != nil {
		in.member(t.Key).State = alarm.Norm // it lives on elsewhere
		in.touched = true
		return other
	}
	if len(in.Notice.Members) > 1 {
		in.leave(t.Key)
		return b.groupFor(g, t)
	}
	n := &in.Notice
	in.Ended, in.QuietSince, in.Said = false, 0, nil
	in.Ready = b.now.Mono + b.opt.Group
	n.Kind, n.Cause, n.AckedBy, n.Since = Raise, t.Cause, "", t.Since.Wall
	n.Members[0].restart(t)
	in.stopRun()
	in.Level, in.LevelAt, in.Answerer = 0, 0, ""
	// Who heard of it hears of its end; the others wait for their turn.
	in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p.Sent == 0 })
	for _, p := range in.Out {
		p.State = taken
	}
	return in
}

// regroup follows a changed verdict on the cause. A member moves to the open
// notice of a broader cause; a notice whose only active member got another
// cause, or one that turns out broader, changes its own cause and keeps its
// id. A broad notice with company does not lose members to narrower ones.
func (b *book) regroup(in *incident, g group, t *rules.Transition) *incident {
	if breadth(g.cause) <= breadth(in.Notice.Cause) && !in.alone(t.Key) {
		return in
	}
	if other := b.open(g); other != nil {
		b.move(in, other, t.Key)
		return other
	}
	in.Notice.Cause, in.touched = g.cause, true
	return in
}

const (
	// stormWithin is how close together what is told as one begins.
	stormWithin = 5 * time.Minute
	// stormFrom and stormAlike are how many causes of their own make a storm: of
	// any alarm, and of one alarm of probes or of rooms, which break alike.
	stormFrom  = 4
	stormAlike = 2
)

// storm returns the notice in which t is told with what began just before it; nil
// where little did. What had a notice of its own comes under it.
func (b *book) storm(t *rules.Transition) *incident {
	if !ofItsOwn(t.Cause) {
		return nil
	}
	now := b.now.Mono
	g := group{cause: alarm.Cause{Kind: CauseSeveral, ID: t.Priority.String()}}
	host := b.open(g)
	if host != nil && now-host.Grew < stormWithin && (host.numActive() >= stormFrom || host.tells(t.Key.Alarm)) {
		host.Grew = now
		return host
	}
	with := b.together(t)
	if len(with) == 0 {
		return nil
	}
	if host == nil {
		host = slices.MinFunc(with, func(x, y *incident) int { return cmp.Compare(x.Opened, y.Opened) })
		host.Notice.Cause, host.Grown = g.cause, 0
	}
	host.Grew, host.touched = now, true
	for _, in := range with {
		if in != host {
			b.absorb(in, host)
		}
	}
	return host
}

// together are the notices that make a storm with t, none where they are too few.
func (b *book) together(t *rules.Transition) []*incident {
	with := slices.DeleteFunc(slices.Clone(b.list()), func(in *incident) bool {
		return in.aside() || in.Ended || !ofItsOwn(in.Notice.Cause) || b.now.Mono-in.Opened >= stormWithin ||
			!in.active() || (in.rank() >= wakeRank) != (t.Priority >= alarm.Wake)
	})
	if len(with)+1 >= stormFrom {
		return with
	}
	// Probes and rooms break alike: of one cause more likely than not.
	if t.Cause.Kind != alarm.CauseProbe && t.Cause.Kind != alarm.CauseDewline {
		return nil
	}
	alike := slices.DeleteFunc(with, func(in *incident) bool { return !in.tells(t.Key.Alarm) })
	if len(alike)+1 < stormAlike {
		return nil
	}
	return alike
}

// shared returns what all the probes of a storm hang on, nil where they have
// nothing in common or are no probes.
func (o *Options) shared(in *incident) *words.Shared {
	if !in.several() {
		return nil
	}
	var common []Share
	var probes []string
	for m := range in.Notice.each() {
		if !counts(m) || slices.Contains(probes, m.Key.Subject) {
			continue
		}
		own := o.Shares[m.Key.Subject]
		if len(probes) == 0 {
			common = slices.Clone(own)
		}
		common = slices.DeleteFunc(common, func(c Share) bool { return !slices.Contains(own, c) })
		probes = append(probes, m.Key.Subject)
	}
	if len(common) == 0 || len(probes) < 2 {
		return nil
	}
	s := &words.Shared{Kind: common[0].Kind, Name: common[0].Name, Count: len(probes)}
	for _, own := range o.Shares {
		if slices.Contains(own, common[0]) {
			s.Of++
		}
	}
	return s
}

// drift takes over values and forecasts of what is open.
func (b *book) drift(alarms []rules.AlarmView, enclosures []rules.EnclosureView) {
	at := make(map[string]*rules.EnclosureView, len(enclosures))
	for i := range enclosures {
		at[enclosures[i].ID] = &enclosures[i]
	}
	var moved []*incident
	for i := range alarms {
		v := &alarms[i]
		in := b.byKey[v.Key]
		if in == nil || in.Ended {
			continue
		}
		m := in.member(v.Key)
		if m.Seq != v.Seq || !m.Active() || v.Unknown {
			continue
		}
		if v.HasValue {
			m.measure(&v.Onset)
		}
		if v.HasLimit { // the band of day or night
			m.Limit, m.HasLimit = v.Limit, true
		}
		m.Detail.Evidence = v.Detail.Evidence
		m.Detail.FirstAction, m.Detail.Steps, m.Detail.Air = v.Detail.FirstAction, v.Detail.Steps, v.Detail.Air // as it stands now
		if e := at[v.Key.Subject]; e != nil && heat(v.Key.Alarm) {
			warm(&m.Detail, e)
		}
		if !slices.Contains(moved, in) {
			moved = append(moved, in)
		}
	}
	for _, in := range moved {
		was := in.touched
		in.refresh()
		in.touched = was
	}
}

// warm takes over how warm an enclosure is and what is ahead of it.
func warm(d *alarm.Detail, e *rules.EnclosureView) {
	d.TimeToLethal, d.LampsOffGain = e.ToLethal, e.LampsOffGain
	if e.Temperature.Known {
		d.Temperature, d.Lethal = e.Temperature.Value, e.Lethal
		if e.Temperature.Value >= e.Lethal { // it is here
			d.TimeToLethal, d.LampsOffGain = nil, nil
		}
	}
	if d.HasRate = e.RatePerHour != nil; d.HasRate {
		d.RatePerHour = float64(*e.RatePerHour)
	}
}
