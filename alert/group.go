package alert

import (
	"slices"

	"dewline/rules"
	"dewline/rules/alarm"
)

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
		t := transitionOf(b.now, v)
		b.take(&t)
	}
	for _, in := range b.list() {
		for _, m := range slices.Clone(in.Notice.Members) {
			if m.State == alarm.Norm || known[m.Key] || b.byKey[m.Key] != in {
				continue
			}
			b.take(&rules.Transition{
				At: b.now, Key: m.Key, Seq: m.Seq, From: m.State, To: alarm.Norm, Priority: m.Priority,
				Cause: in.Notice.Cause, Value: m.Value, HasValue: m.HasValue, Limit: m.Limit,
				HasLimit: m.HasLimit, Unit: m.Unit, Since: m.Since, Text: m.Text,
			})
		}
	}
}

// take puts one transition under the notice it belongs to.
func (b *book) take(t *rules.Transition) {
	in, active := b.holder(t), tells(t)
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
	if t.To == alarm.Norm && in.Ended {
		in.touched = true // it may be forgotten now
	}
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

// tells reports whether t leaves an alarm in a state to tell of.
func tells(t *rules.Transition) bool {
	return (t.To == alarm.Unack || t.To == alarm.Acked) && t.Priority > alarm.Note
}

// groupFor returns the open incident of g, or a new one named by t.
func (b *book) groupFor(g group, t *rules.Transition) *incident {
	if in := b.open[g]; in != nil {
		return in
	}
	if in := b.storm(t); in != nil {
		return in
	}
	id := rules.OnsetID(t.Key, t.Seq)
	for b.byID[id] != nil { // that onset's notice lives on without it
		id += "+"
	}
	in := &incident{
		Notice: Notice{ID: id, Room: b.opt.Room, Cause: t.Cause, Kind: Raise},
		Opened: b.now.Mono, Ready: b.now.Mono + b.opt.Group,
	}
	b.open[g] = in
	b.add(in)
	return in
}

// reopen goes on with an ended incident whose same onset is active again, such
// as a latched alarm, unless its cause has an open notice by now. One of many
// that ended together begins a notice of its own: the others stay over.
func (b *book) reopen(in *incident, g group, t *rules.Transition) *incident {
	if other := b.open[g]; other != nil {
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
	b.open[g] = in
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
	switch other := b.open[g]; other {
	case in:
	case nil:
		delete(b.open, groupIn(in))
		in.Notice.Cause, in.touched = g.cause, true
		b.open[g] = in
	default:
		b.move(in, other, t.Key)
		return other
	}
	return in
}
