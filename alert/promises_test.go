package alert

import (
	"slices"
	"time"

	"dewline/rules/alarm"
)

// Promises are what the delivery model holds the Desk to in time: every wake
// alarm is named soon, and again until it is answered; an answer covers what it
// names.
type promises struct {
	rings map[alarm.Key]*ringing
	live  map[string]time.Duration // channels that work, since when
	// dutySince is when the turns last changed: repeats count anew.
	dutySince time.Duration
}

// A ringing is a wake alarm from its rise until it is answered or over.
type ringing struct {
	since     time.Duration
	sent, got int // how many deliveries were before it
}

func newPromises() *promises {
	return &promises{rings: map[alarm.Key]*ringing{}, live: map[string]time.Duration{"mqtt": 0, "mail": 0, "gateway": 0}}
}

func (p *promises) rises(r *rig, k alarm.Key, sent, got int) {
	m := r.desk.book.byKey[k].member(k)
	// One that was told before it came back keeps that telling for a while.
	flutters := k.Alarm != alarm.LethalLimit && m.Heard &&
		slices.ContainsFunc(r.got[:got], func(d Delivery) bool { return says(&d, k) })
	if k.Alarm == alarm.AboveBand || flutters {
		return
	}
	p.rings[k] = &ringing{r.now.Mono, sent, got}
}

// falls ends a ringing.
func (p *promises) falls(k alarm.Key, to alarm.State) { delete(p.rings, k) }

// reachable is since when one of the first people can be reached; ok is false
// for not at all.
func (p *promises) reachable(r *rig, people int) (since time.Duration, ok bool) {
	for _, t := range r.desk.opt.targets(people) {
		if at, live := p.live[t.channel]; live && (!ok || at < since) {
			since, ok = at, true
		}
	}
	return since, ok
}

func says(d *Delivery, k alarm.Key) bool {
	return d.Kind != FollowUp && names(&d.Message, k.Subject) &&
		slices.ContainsFunc(d.Message.Alarms, func(a AlarmRef) bool { return a.Alarm == k.Alarm && a.Subject == k.Subject })
}

// judge: what rings was named within a minute of its rise, named again within
// its first repeat, and goes on being named.
func (p *promises) judge(rt tb, r *rig) {
	from, ok := p.reachable(r, len(r.desk.opt.People))
	if !ok {
		return
	}
	duty, dutyOK := p.reachable(r, 1)
	for k, ring := range p.rings {
		var at []time.Duration
		for i := ring.got; i < len(r.got); i++ {
			if says(&r.got[i], k) && (len(at) == 0 || r.when[i] > at[len(at)-1]) {
				at = append(at, r.when[i])
			}
		}
		first := max(ring.since, from) + time.Minute
		switch {
		case len(at) == 0 && r.now.Mono > first:
			rt.Fatalf("%v rose at %v, a channel works since %v, and it was not named by %v", k, ring.since, from, r.now.Mono)
		case len(at) > 0 && from <= ring.since && at[0] > first:
			rt.Fatalf("%v rose at %v and was named at %v", k, ring.since, at[0])
		case len(at) == 0:
			continue
		}
		// The repeats count from when it was said first, which an outage hides.
		second := at[0] + 6*time.Minute
		if dutyOK && max(duty, p.dutySince) <= ring.since && (len(at) == 1 && r.now.Mono > second || len(at) > 1 && at[1] > second) {
			rt.Fatalf("%v rose at %v and was named at %v, by now %v", k, ring.since, at, r.now.Mono)
		}
		if last := max(at[len(at)-1], from); r.now.Mono-last > 31*time.Minute {
			rt.Fatalf("%v rose at %v, is not answered, and was last named at %v, by now %v", k, ring.since, last, r.now.Mono)
		}
	}
}

// answer acknowledges a version and checks what that covers.
func (p *promises) answer(rt tb, r *rig, n Notice, version int, by string) {
	open := map[alarm.Key]*ringing{} // wherever they stand by now
	for k, ring := range p.rings {
		if in := r.desk.book.byKey[k]; in != nil && !in.member(k).Covered {
			open[k] = ring
		}
	}
	r.ackVersion(n.ID, version, by)
	for k, ring := range open {
		in := r.desk.book.byKey[k]
		if in == nil || !in.member(k).Active() {
			continue
		}
		told := slices.ContainsFunc(r.sent[ring.sent:], func(d Delivery) bool {
			return d.NoticeID == n.ID && (version == 0 || d.Version <= version) && says(&d, k)
		})
		covered := in.member(k).Covered
		if version == 0 && covered && !p.heard(r, n.ID, r.desk.opt.idOf(by), k, ring) {
			rt.Fatalf("an answer of %s to %s covers %v, which no message brought them", by, n.ID, k)
		}
		if covered && !told || told && !covered && version > 0 {
			rt.Fatalf("an answer to version %d of %s: %v was told in it: %v, is covered: %v", version, n.ID, k, told, covered)
		}
	}
	for k := range p.rings {
		if in := r.desk.book.byKey[k]; in != nil && in.member(k).Covered {
			delete(p.rings, k)
		}
	}
}

// heard: a message of a notice brought an alarm to a person or, where none of it ever reached
// them, to anybody; nobody can tell where none reached anybody.
func (p *promises) heard(r *rig, notice, person string, k alarm.Key, ring *ringing) bool {
	for _, to := range []string{person, ""} {
		reached := false
		for i, d := range r.got {
			if to != "" && d.Person != to {
				continue
			}
			if i >= ring.got && says(&d, k) { // by whichever notice
				return true
			}
			reached = reached || d.NoticeID == notice
		}
		if reached {
			return false
		}
	}
	return true
}
