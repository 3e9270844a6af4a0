package alert

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// A Doc is one piece of the Desk's state to keep on disk under its key.
type Doc struct {
	Key  string
	Data json.RawMessage
}

// An Event is one line for the journal: what became of a notice.
type Event struct {
	At     sensors.Instant `json:"at"`
	Notice string          `json:"notice"`
	// What is "raised", "handed-over", "failed", "dropped", "acknowledged",
	// "escalated", "repeats-over", "ended" or "merged"; "drill" and
	// "drill-over" for a drill.
	What    string `json:"what"`
	Person  string `json:"person,omitempty"`
	Channel string `json:"channel,omitempty"`
	Why     string `json:"why,omitempty"`
	// Version is the one that was handed over, 0 for other events.
	Version int `json:"version,omitempty"`
}

// Effects are what a call of the Desk asks for. Put and Drop are to be
// committed together; Send may go out before that commit ends, and goes out
// even if it fails.
type Effects struct {
	Put    []Doc
	Drop   []string
	Send   []Delivery
	Events []Event
}

// A Desk turns transitions into notices and deliveries. It is not safe for
// concurrent use.
type Desk struct {
	opt     Options
	byID    map[string]*incident // every incident, ended ones included
	sorted  []*incident          // the same by id; nil when out of date
	open    map[group]*incident  // those that have not ended
	byKey   map[rules.Key]*incident
	attempt uint64
	now     sensors.Instant // of the call in progress
	eff     Effects         // of the call in progress
	dropped uint64
	links   map[string]*link
	sends   map[target][]time.Duration // of the last minute
	faults  map[target]*fault          // that last, in this run
	last    *DrillResult
	stalled []string // in the call in progress, nil for not asked yet
}

// NewDesk returns a Desk with nothing open.
func NewDesk(o Options) *Desk {
	return &Desk{
		opt:   o.withDefaults(),
		byID:  make(map[string]*incident),
		open:  make(map[group]*incident),
		byKey: make(map[rules.Key]*incident),
		links: make(map[string]*link),
		sends: make(map[target][]time.Duration), faults: make(map[target]*fault),
	}
}

// Transitions takes in what the rules found. A lethal ceiling is in the
// returned Send at once, anything else after the grouping time.
func (d *Desk) Transitions(now sensors.Instant, ts []rules.Transition) Effects {
	if len(ts) == 0 {
		return Effects{}
	}
	d.begin(now)
	for i := range ts {
		d.take(now, &ts[i])
	}
	return d.finish()
}

// Tick lets time pass: groups close, repeats and retries fall due, quiet hours
// end, notices escalate. Call it at least every few seconds.
func (d *Desk) Tick(now sensors.Instant) Effects {
	d.begin(now)
	return d.finish()
}

// Acknowledge takes in an answer to a version of a notice; 0 stands for what
// was handed over so far. It covers what that version named, which is repeated
// and escalated no more; what was not told rings on. It returns the alarms that
// it covers, for which the caller acknowledges with the rules as well; none for
// a drill. An acknowledgement of single alarms arrives by Transitions.
func (d *Desk) Acknowledge(now sensors.Instant, noticeID string, version int, by string) ([]rules.Key, Effects, error) {
	in := d.find(noticeID)
	if in == nil {
		return nil, Effects{}, fmt.Errorf("acknowledge %q: %w", noticeID, ErrUnknownNotice)
	}
	d.begin(now)
	if in.aside() {
		if in.drill() {
			d.answerDrill(in, by)
		} else { // read
			d.forget(in)
		}
		return nil, d.finish(), nil
	}
	if in.Said == nil { // seen on the page before it was sent
		d.say(in, Raise)
	}
	answered := in.acked()
	a := Answering{By: by, Notice: noticeID, Version: version, At: now.Mono}
	keys, useful := in.cover(a, d.idOf(by))
	if !useful && !answered && !in.calling() && in.grown() && (version == 0 || version == in.Notice.Version) {
		// Milder news wait for hours to be told; who answers saw them on the page.
		d.say(in, Update)
		a.Notice, a.Version = in.Notice.ID, in.Notice.Version
		keys, useful = in.cover(a, d.idOf(by))
	}
	if !useful && !answered {
		return nil, d.finish(), fmt.Errorf("acknowledge %q: %w", noticeID, ErrOldVersion)
	}
	if in.acked() {
		d.acknowledged(in, by)
	} else {
		in.Answerer, in.touched = by, true
		d.log(Event{Notice: in.Notice.ID, What: "acknowledged", Person: by, Why: "in part, there is news since"})
	}
	return keys, d.finish(), nil
}

// acknowledged records who answered and stops the ringing.
func (d *Desk) acknowledged(in *incident, by string) {
	in.stopRun()
	in.Notice.AckedBy, in.Answerer = by, by
	d.log(Event{Notice: in.Notice.ID, What: "acknowledged", Person: by})
}

// find returns the incident of an id, or the one that absorbed it.
func (d *Desk) find(id string) *incident {
	if in := d.byID[id]; in != nil {
		return in
	}
	for _, in := range d.incidents() {
		if slices.Contains(in.Notice.Supersedes, id) {
			return in
		}
	}
	return nil
}

// incidents returns all of them in the order of their ids, so that the same
// inputs give the same effects. The slice is not changed afterwards.
func (d *Desk) incidents() []*incident {
	if d.sorted == nil && len(d.byID) > 0 {
		d.sorted = slices.SortedFunc(maps.Values(d.byID), func(a, b *incident) int {
			return strings.Compare(a.Notice.ID, b.Notice.ID)
		})
	}
	return d.sorted
}

// add puts an incident into the books.
func (d *Desk) add(in *incident) { d.byID[in.Notice.ID], d.sorted = in, nil }

// begin and finish frame every call: finish lets all schedules catch up and
// returns what has gathered.
func (d *Desk) begin(now sensors.Instant) { d.now, d.eff, d.stalled = now, Effects{}, nil }

func (d *Desk) finish() Effects { return d.finishWith(d.incidents()) }

// finishWith is finish for a call that can have concerned only some.
func (d *Desk) finishWith(list []*incident) Effects {
	for _, in := range list {
		d.evaluate(in)
	}
	d.bound()
	d.handOut(list)
	for _, in := range list {
		if in.touched && d.byID[in.Notice.ID] == in {
			d.keep(in)
		}
	}
	eff := d.eff
	d.eff = Effects{}
	eff.Drop = slices.DeleteFunc(eff.Drop, func(key string) bool { // forgotten and made anew
		return slices.ContainsFunc(eff.Put, func(doc Doc) bool { return doc.Key == key })
	})
	return eff
}

func (d *Desk) log(e Event) {
	e.At = d.now
	d.eff.Events = append(d.eff.Events, e)
}

// forget removes an incident and its document.
func (d *Desk) forget(in *incident) {
	delete(d.byID, in.Notice.ID)
	d.sorted = nil
	d.shut(in)
	maps.DeleteFunc(d.byKey, func(_ rules.Key, o *incident) bool { return o == in })
	d.eff.Drop = append(d.eff.Drop, docKey(in.Notice.ID))
}

// shut takes an incident out of those that new alarms may join.
func (d *Desk) shut(in *incident) {
	maps.DeleteFunc(d.open, func(_ group, o *incident) bool { return o == in })
}

// ChannelDown tells the Desk that a channel has no connection and why: since
// the start, since it was lost, or still. No word of a channel is no word that
// it works: say so at the start.
func (d *Desk) ChannelDown(now sensors.Instant, channel, why string) Effects {
	d.link(channel).downWhy = why
	return d.ChannelState(now, channel, false)
}

// ChannelState tells the Desk that a channel lost or regained its connection.
// On its return, what waited for a retry is sent at once.
func (d *Desk) ChannelState(now sensors.Instant, channel string, up bool) Effects {
	d.begin(now)
	l := d.link(channel)
	l.known = true
	switch {
	case !up:
		l.upSince = 0
		if l.downSince == 0 {
			l.downSince = max(now.Mono, 1)
		}
	case l.upSince == 0:
		if l.upBefore { // what it took over may have died with it
			d.recall(channel)
		}
		l.upSince, l.upBefore = max(now.Mono, 1), true
		d.retry(channel)
	}
	return d.finish()
}

// Renewed tells the Desk that channels were built anew: whether they work is to
// be seen, and what waits is tried at once.
func (d *Desk) Renewed(now sensors.Instant, channels ...string) Effects {
	d.begin(now)
	for _, c := range channels {
		d.link(c).refused = false
		d.retry(c)
	}
	return d.finish()
}

// retry makes what waits for a channel due at once.
func (d *Desk) retry(channel string) {
	for _, in := range d.incidents() {
		for _, p := range in.Out {
			if p.Channel == channel && p.State == due {
				p.NotBefore, p.Fails = d.now.Mono, 0
			}
		}
	}
}

// recall sends again what a channel took over and nobody answered, but not what
// left moments ago.
func (d *Desk) recall(channel string) {
	for _, in := range d.incidents() {
		if in.aside() || in.Ended || !in.calling() {
			continue
		}
		for _, p := range in.Out {
			if p.Channel == channel && p.State == taken && d.now.Mono-p.OutSince >= time.Minute && d.onDuty(in, p.Person) {
				d.makeDue(p, in, false)
			}
		}
	}
}

// Reconfigure takes over new people, names and times; what is open stays open.
func (d *Desk) Reconfigure(now sensors.Instant, o Options) Effects {
	d.opt = o.withDefaults()
	d.begin(now)
	for _, in := range d.incidents() {
		in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return !d.reaches(p.Person, p.Channel) })
		in.Level = min(in.Level, len(d.opt.People)-1)
		if in.Said != nil && !in.Ended && !in.aside() {
			d.address(in)
		}
		in.touched = true
	}
	return d.finish()
}

// reaches reports whether a person still has a channel.
func (d *Desk) reaches(person, channel string) bool {
	p := d.person(person)
	return p != nil && slices.Contains(p.Channels, channel)
}

// idOf is the id of the person who answers under a name, which may be the id.
func (d *Desk) idOf(by string) string {
	for _, p := range d.opt.People {
		if p.ID == by || p.Name != "" && p.Name == by {
			return p.ID
		}
	}
	return ""
}

func (d *Desk) person(id string) *Person {
	for i := range d.opt.People {
		if d.opt.People[i].ID == id {
			return &d.opt.People[i]
		}
	}
	return nil
}
