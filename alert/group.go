package alert

import (
	"cmp"
	"slices"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// breadth orders causes by how much of the room they explain.
func breadth(c rules.Cause) int {
	switch c.Kind {
	case rules.CauseRoom:
		return 4
	case rules.CauseShelf, rules.CauseSupply, rules.CauseLamps:
		return 3
	case CauseSeveral:
		return 2
	case rules.CauseEnclosure:
		return 1
	default:
		return 0
	}
}

// take puts one transition under the notice it belongs to.
func (d *Desk) take(now sensors.Instant, t *rules.Transition) {
	in, active := d.holder(t), tells(t)
	if in == nil && !active {
		return
	}
	g := groupOf(t.Cause, t.Key)
	switch {
	case in == nil:
		in = d.groupFor(now, g, t)
	case in.Ended && active:
		in = d.reopen(now, in, g, t)
	case active && in.several() && ofItsOwn(t.Cause): // it is told with the others
	case active && g != d.groupIn(in) && in.stranger(g, t.Key):
		in.leave(t.Key)
		in = d.groupFor(now, g, t)
	case active && g != d.groupIn(in):
		in = d.regroup(in, g, t)
	}
	in.update(t, d.opt.Names[t.Key.Subject])
	d.byKey[t.Key] = in
	if t.To == alarm.Norm && in.Ended {
		in.touched = true // it may be forgotten now
	}
}

// tells reports whether t leaves an alarm in a state to tell of.
func tells(t *rules.Transition) bool {
	return (t.To == alarm.Unack || t.To == alarm.Acked) && t.Priority > rules.Note
}

// holder is the notice that t's alarm stands under, nil for none: a new onset
// after the end makes a new one.
func (d *Desk) holder(t *rules.Transition) *incident {
	in := d.byKey[t.Key]
	if in != nil && in.Ended && in.member(t.Key).Seq != t.Seq {
		return nil
	}
	return in
}

// groupIn is the group that in stands for.
func (d *Desk) groupIn(in *incident) group {
	if len(in.Notice.Members) == 0 {
		return group{cause: in.Notice.Cause}
	}
	return groupOf(in.Notice.Cause, in.Notice.Members[0].Key)
}

// groupFor returns the open incident of g, or a new one named by t.
func (d *Desk) groupFor(now sensors.Instant, g group, t *rules.Transition) *incident {
	if in := d.open[g]; in != nil {
		return in
	}
	if in := d.storm(now.Mono, t); in != nil {
		return in
	}
	id := rules.OnsetID(t.Key, t.Seq)
	for d.byID[id] != nil { // that onset's notice lives on without it
		id += "+"
	}
	in := &incident{
		Notice: Notice{ID: id, Room: d.opt.Room, Cause: t.Cause, Kind: Raise},
		Opened: now.Mono, Ready: now.Mono + d.opt.Group,
	}
	d.open[g] = in
	d.add(in)
	return in
}

// stranger reports whether k, which comes back under a cause of its own, has
// nothing to do with what a narrow notice tells by now.
func (in *incident) stranger(g group, k rules.Key) bool {
	own := breadth(in.Notice.Cause)
	return own <= 1 && breadth(g.cause) <= own && !in.member(k).Active() && !in.alone(k)
}

// leave takes a member out.
func (in *incident) leave(k rules.Key) {
	in.Notice.Members = slices.DeleteFunc(in.Notice.Members, func(m Member) bool { return m.Key == k })
	in.refresh()
}

// reopen goes on with an ended incident whose same onset is active again, such
// as a latched alarm, unless its cause has an open notice by now. One of many
// that ended together begins a notice of its own: the others stay over.
func (d *Desk) reopen(now sensors.Instant, in *incident, g group, t *rules.Transition) *incident {
	if other := d.open[g]; other != nil {
		in.member(t.Key).State = alarm.Norm // it lives on elsewhere
		in.touched = true
		return other
	}
	if len(in.Notice.Members) > 1 {
		in.leave(t.Key)
		return d.groupFor(now, g, t)
	}
	n := &in.Notice
	in.Ended, in.QuietSince, in.Said = false, 0, nil
	in.Ready = now.Mono + d.opt.Group
	n.Kind, n.Cause, n.AckedBy, n.Since = Raise, t.Cause, "", t.Since.Wall
	n.Members[0].restart(t)
	in.stopRun()
	in.Level, in.LevelAt, in.Answerer = 0, 0, ""
	// Who heard of it hears of its end; the others wait for their turn.
	in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p.Sent == 0 })
	for _, p := range in.Out {
		p.State = taken
	}
	d.open[g] = in
	return in
}

// regroup follows a changed verdict on the cause. A member moves to the open
// notice of a broader cause; a notice whose only active member got another
// cause, or one that turns out broader, changes its own cause and keeps its
// id. A broad notice with company does not lose members to narrower ones.
func (d *Desk) regroup(in *incident, g group, t *rules.Transition) *incident {
	broader := breadth(g.cause) > breadth(in.Notice.Cause)
	other := d.open[g]
	switch {
	case other != nil && other != in && (broader || in.alone(t.Key)):
		d.move(in, other, t.Key)
		return other
	case other == nil && (broader || in.alone(t.Key)):
		delete(d.open, d.groupIn(in))
		in.Notice.Cause = g.cause
		d.open[g] = in
		in.touched = true
	}
	return in
}

// alone reports whether k is the only active member.
func (in *incident) alone(k rules.Key) bool {
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; m.Key != k && counts(m) {
			return false
		}
	}
	return true
}

// move hands k over from one incident to another. An incident left with
// nothing active is absorbed: it says nothing more, the other names it.
func (d *Desk) move(from, to *incident, k rules.Key) {
	i := slices.IndexFunc(from.Notice.Members, func(m Member) bool { return m.Key == k })
	m := from.Notice.Members[i]
	m.Told = false
	if calls(&m) {
		to.inherit(from)
	}
	to.Notice.Members = append(to.Notice.Members, m)
	to.refresh()
	from.Notice.Members = slices.Delete(from.Notice.Members, i, i+1)
	d.byKey[k] = to
	from.refresh() // what stays may be less urgent
	if !from.active() {
		d.absorb(from, to)
	}
}

// inherit goes on with the repeats and the escalation of what comes from
// another notice.
func (in *incident) inherit(from *incident) {
	switch {
	case from.Ringing == 0:
	case in.Ringing == 0:
		in.Level, in.LevelAt, in.Answerer = from.Level, from.LevelAt, from.Answerer
		in.Ringing, in.Repeated, in.NextRepeat = from.Ringing, from.Repeated, from.NextRepeat
	case in.NextRepeat == 0 || from.NextRepeat != 0:
		in.NextRepeat = min(cmp.Or(in.NextRepeat, from.NextRepeat), cmp.Or(from.NextRepeat, in.NextRepeat))
	}
}

// absorb ends from without a follow-up, since to goes on telling about it.
func (d *Desk) absorb(from, to *incident) {
	for _, m := range from.Notice.Members {
		if d.byKey[m.Key] == from && to.member(m.Key) == nil { // else it lives on elsewhere
			m.Told = false
			if calls(&m) {
				to.inherit(from)
			}
			to.Notice.Members = append(to.Notice.Members, m)
			d.byKey[m.Key] = to
		}
	}
	to.Notice.Supersedes = append(to.Notice.Supersedes, from.Notice.Supersedes...)
	if from.Said != nil {
		to.Notice.Supersedes = append(to.Notice.Supersedes, from.Notice.ID)
		if to.Said == nil { // its onset was told before
			to.Ready = min(to.Ready, from.Ready)
		}
	}
	to.refresh()
	d.log(Event{Notice: from.Notice.ID, What: "merged", Why: to.Notice.ID})
	d.forget(from)
}
