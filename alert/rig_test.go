package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// A rig drives a Desk through virtual time with channels that work or not, and
// remembers what they carried. It keeps the documents as a store would.
type rig struct {
	t        tb
	desk     *Desk
	opt      Options
	now      sensors.Instant
	docs     map[string]json.RawMessage
	broken   map[string]error         // channels that fail, with what
	hangs    map[string]time.Duration // channels that fail after so long, one delivery after the other
	busy     map[string]time.Duration // until when they hang
	slow     map[string]bool          // channels that hang and take it over all the same
	late     []Delivery               // that are taken over after they were given up
	lateAt   []time.Duration          // when
	refuses  func(Delivery) error     // nil for nothing
	waiting  []Delivery               // handed out, not yet sent
	sent     []Delivery               // ever handed out
	sentAt   []time.Duration          // of each, running time
	got      []Delivery               // taken over by a channel, in order
	when     []time.Duration          // of each got, running time
	events   []Event
	seq      map[alarm.Key]uint64
	restarts int
	plant    func(*rig, *Effects) // a planted fault, nil for none
}

// tb is what tests and properties have in common.
type tb interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
	Errorf(string, ...any)
}

// t0 is an invented Tuesday at noon.
var t0 = time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC)

func newRig(t tb, o Options) *rig {
	return &rig{
		t: t, desk: NewDesk(o), opt: o, docs: make(map[string]json.RawMessage),
		broken: make(map[string]error), hangs: map[string]time.Duration{}, busy: map[string]time.Duration{}, seq: make(map[alarm.Key]uint64),
		now: sensors.Instant{Mono: time.Hour, Wall: t0, Synced: true},
	}
}

// absorb takes in effects as the daemon does: documents first.
func (r *rig) absorb(e Effects) {
	if r.plant != nil {
		r.plant(r, &e)
	}
	for _, d := range e.Docs {
		if r.docs[d.Key] = slices.Clone(d.Value); d.Value == nil {
			delete(r.docs, d.Key)
		}
	}
	r.waiting, r.sent = append(r.waiting, e.Send...), append(r.sent, e.Send...)
	for range e.Send {
		r.sentAt = append(r.sentAt, r.now.Mono)
	}
	r.events = append(r.events, e.Events...)
}

// send lets the channels work off what was handed out.
func (r *rig) send() {
	var later []Delivery
	for len(r.late) > 0 && r.now.Mono >= r.lateAt[0] {
		d := r.late[0]
		r.late, r.lateAt = r.late[1:], r.lateAt[1:]
		r.took(d)
		r.absorb(r.desk.Result(r.now, SendResult{d.ID, d.Version, d.Attempt, nil}))
	}
	for len(r.waiting) > 0 {
		d := r.waiting[0]
		r.waiting = r.waiting[1:]
		err := r.broken[d.Channel]
		if takes := r.hangs[d.Channel]; takes > 0 {
			if r.busy[d.ID] == 0 {
				r.busy[d.Channel] = max(r.busy[d.Channel], r.now.Mono) + takes
				r.busy[d.ID] = r.busy[d.Channel]
			}
			if r.now.Mono < r.busy[d.ID] {
				later = append(later, d)
				continue
			}
			delete(r.busy, d.ID)
			if err = errAway; r.slow[d.Channel] {
				r.late, r.lateAt = append(r.late, d), append(r.lateAt, r.now.Mono+takes)
			}
		}
		if err == nil && r.refuses != nil {
			err = r.refuses(d)
		}
		if err == nil {
			r.took(d)
		}
		r.absorb(r.desk.Result(r.now, SendResult{d.ID, d.Version, d.Attempt, err}))
	}
	r.waiting = later
}

// took notes what a channel took over.
func (r *rig) took(d Delivery) {
	r.got, r.when = append(r.got, d), append(r.when, r.now.Mono)
}

// pass lets time go by in steps of ten seconds, one poll each.
func (r *rig) pass(d time.Duration) {
	for end := r.now.Mono + d; r.now.Mono < end; {
		r.now = r.now.Add(min(10*time.Second, end-r.now.Mono))
		r.absorb(r.desk.Tick(r.now))
		r.send()
	}
}

// transitions feeds the Desk and lets the channels work.
func (r *rig) transitions(ts ...rules.Transition) {
	r.absorb(r.desk.Transitions(r.now, ts))
	r.send()
}

// restart loses the Desk and everything in flight, and reads the documents.
func (r *rig) restart() {
	r.t.Helper()
	var docs []store.Doc
	for k, v := range r.docs {
		docs = append(docs, docOf(k, v))
	}
	r.waiting, r.busy, r.late, r.lateAt = nil, map[string]time.Duration{}, nil, nil
	r.restarts++
	r.desk = NewDesk(r.opt)
	e, err := r.desk.Restore(r.now, docs)
	if err != nil {
		r.t.Fatalf("restore: %v", err)
	}
	r.absorb(e)
	r.send()
}

// A say is how tests write transitions.
type change struct {
	alarm   alarm.ID
	subject string
	to      alarm.State
	p       alarm.Priority
	cause   alarm.Cause
	value   float64
	minutes float64 // to the lethal limit
}

var (
	room = alarm.Cause{Kind: alarm.CauseRoom}
	self = alarm.Cause{Kind: alarm.CauseDewline}
)

func tank(id string) alarm.Cause { return alarm.Cause{Kind: alarm.CauseEnclosure, ID: id} }

// tr makes a transition; a departure from NORM counts the onset up.
func (r *rig) tr(c change) rules.Transition {
	k := alarm.Key{Alarm: c.alarm, Subject: c.subject}
	if r.seq[k] == 0 {
		r.seq[k] = 1
	}
	t := rules.Transition{
		Onset: alarm.Onset{Key: k, Seq: r.seq[k], Priority: c.p, Cause: c.cause, Value: c.value, HasValue: true, Limit: 33, HasLimit: true, Unit: "°C", Peak: &alarm.Peak{Value: c.value, Limit: 33, At: r.now}, Since: r.now, Text: "a sentence from the rules"}, At: r.now, To: c.to,
	}
	if c.minutes > 0 {
		t.Detail.TimeToLethal = &alarm.Range{FromMinutes: c.minutes, ToMinutes: c.minutes * 1.5}
	}
	if c.to == alarm.Norm {
		r.seq[k]++
	}
	return t
}

// told lists what a channel carried as "kind id", repeats included.
func (r *rig) told(channel string) []string {
	var out []string
	for _, d := range r.got {
		if d.Channel == channel {
			out = append(out, fmt.Sprintf("%s %s", d.Kind, d.NoticeID))
		}
	}
	return out
}

func (r *rig) want(channel string, want ...string) {
	r.t.Helper()
	if got := r.told(channel); !slices.Equal(got, want) {
		r.t.Errorf("%s carried\n%q, want\n%q", channel, got, want)
	}
}

// ack acknowledges as the daemon does: the Desk first, then the rules, whose
// transitions come back.
func (r *rig) ack(id, by string) { r.ackVersion(id, 0, by) }

// ackVersion acknowledges one version.
func (r *rig) ackVersion(id string, version int, by string) {
	r.t.Helper()
	keys, e, err := r.desk.Acknowledge(r.now, id, version, by)
	if err != nil && !errors.Is(err, ErrOldVersion) {
		r.t.Fatal(err)
	}
	r.absorb(e)
	for _, k := range keys {
		in := r.desk.book.byKey[k]
		if in == nil {
			continue
		}
		m := in.member(k)
		to := alarm.Acked
		if m.State != alarm.Unack {
			to = alarm.Norm
		}
		t := rules.Transition{Onset: alarm.Onset{Key: k, Seq: m.Seq, Priority: m.Priority, Cause: in.Notice.Cause, Value: m.Value, HasValue: true, Since: m.Since}, At: r.now, From: m.State, To: to, By: by}
		if to == alarm.Norm {
			r.seq[k]++
		}
		r.transitions(t)
	}
	r.send()
}

var errAway = errors.New("connection refused")

// twoPeople is a household: one keeper on phone and mail, one on a gateway.
func twoPeople() Options {
	return Options{Room: "attic", People: []configs.Person{
		{ID: "una", Channels: []string{"mqtt", "mail"}, MailTo: "una@example.test", EscalateAfter: configs.Duration(10 * time.Minute)},
		{ID: "odo", Channels: []string{"gateway"}, Units: "F"},
	}}
}
