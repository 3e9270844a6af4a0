// Package alert decides what a person is told, when, and through what: it
// turns alarm transitions into notices, and notices into deliveries.
//
// The Desk is pure. Transitions, ticks, acknowledgements and the results of
// sending go in; deliveries to hand out and documents to keep come out. It
// reads no clock, opens no connection and starts no goroutine, and it is owned
// by the one goroutine that also owns the rules. Durations run on
// sensors.Instant.Mono, so a step of the wall clock moves nothing but the time
// printed in a notice and the quiet hours.
//
// What it promises: one open notice for each cause; one id for each notice,
// the same after a crash; a wake notice stays open, and is sent again at
// widening intervals under that id, until a person acknowledges it or a
// follow-up takes its place, because a broker's or server's receipt is no
// proof that anybody read it; nobody is told twice of one thing otherwise.
//
// Its parts stand one above the other: drills, silences and the schedule; below
// them the outbox, the links to the channels, and the book of notices; at the
// bottom the notice, its members and the ledger of what each onset was told to
// whom. No file calls one above it.
//
// A Courier runs one goroutine for each channel, so that a channel which hangs
// delays no other. The channels themselves are in the sub-packages mqtt, mail
// and webhook. The Sentinel is the dead man's switch for another machine: it
// watches rooms' signs of life and feeds a Desk of its own.
package alert

import (
	"cmp"
	"fmt"
	"maps"
	"time"

	"dewline/alert/words"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A Desk turns transitions into notices and deliveries. It is not safe for
// concurrent use. Its parts share one call, and each owns its state; a part calls
// only those that stand below it.
type Desk struct {
	*call
	drills   *drills   // tests of the way to a person
	silences *silences // who put alarms away
	schedule *schedule // what is said when, and to whom next
	outbox   *outbox   // deliveries
	links    *links    // how the channels do
	book     *book     // notices, and which alarms share one
	lost     int       // versions that a restored notice leaves out
}

// NewDesk returns a Desk with nothing open.
func NewDesk(o Options) *Desk {
	c := &call{opt: o.withDefaults()}
	b := newBook(c)
	l := newLinks(c, b)
	out := &outbox{call: c, book: b, links: l, sends: make(map[target][]time.Duration)}
	return &Desk{
		call: c, book: b, links: l, outbox: out, lost: mostLost,
		schedule: &schedule{call: c, book: b, links: l, outbox: out},
		silences: &silences{call: c, book: b, outbox: out},
		drills:   &drills{call: c, book: b, outbox: out},
	}
}

// begin and finish frame every call: finish lets all schedules catch up and
// returns what has gathered.
func (d *Desk) begin(now sensors.Instant) { d.now, d.eff, d.links.stalled = now, Effects{}, nil }

func (d *Desk) finish() Effects { return d.finishWith(d.book.list()) }

// during is a call that can concern every notice.
func (d *Desk) during(now sensors.Instant, do func()) Effects {
	d.begin(now)
	do()
	return d.finish()
}

// finishWith is finish for a call that can have concerned only some.
func (d *Desk) finishWith(list []*incident) Effects {
	for _, in := range list {
		switch {
		case in.drill():
			d.drills.evaluate(in)
		case in.Notice.Kind == Silence:
			d.silences.evaluate(in)
		default:
			d.schedule.evaluate(in)
		}
	}
	d.outbox.bound()
	d.schedule.send(list)
	for _, in := range list {
		if in.touched && d.book.byID[in.Notice.ID] == in {
			in.touched = false
			d.eff.Docs = append(d.eff.Docs, encode(in))
		}
	}
	eff := d.eff
	d.eff = Effects{}
	return eff
}

// Transitions takes in what the rules found. A lethal limit is in the
// returned Send at once, anything else after the grouping time.
func (d *Desk) Transitions(now sensors.Instant, ts []rules.Transition) Effects {
	if len(ts) == 0 {
		return Effects{}
	}
	return d.during(now, func() {
		for i := range ts {
			d.book.take(&ts[i])
		}
	})
}

// Tick lets time pass: groups close, repeats and retries fall due, quiet hours
// end, notices escalate. Call it at least every few seconds.
func (d *Desk) Tick(now sensors.Instant) Effects { return d.during(now, func() {}) }

// Acknowledge takes in an answer to a version of a notice; 0 stands for what
// was handed over so far. It covers what that version named, which is repeated
// and escalated no more; what was not told rings on. It returns the alarms that
// it covers, for which the caller acknowledges with the rules as well; none for
// a drill. An acknowledgement of single alarms arrives by Transitions.
func (d *Desk) Acknowledge(now sensors.Instant, noticeID string, version int, by string) (keys []alarm.Key, _ Effects, err error) {
	in := d.book.find(noticeID)
	if in == nil {
		return nil, Effects{}, fmt.Errorf("acknowledge %q: %w", noticeID, ErrUnknownNotice)
	}
	d.begin(now)
	switch {
	case in.drill():
		d.drills.answer(in, by)
	case in.aside(): // read, which keeps it from nobody else
		d.log(Event{Notice: noticeID, What: event.NoticeAcknowledged, Person: by})
	default:
		keys, err = d.schedule.answer(in, Answering{By: by, Notice: noticeID, Version: version, At: now.Mono})
	}
	if err != nil {
		err = fmt.Errorf("acknowledge %q: %w", noticeID, err)
	}
	return keys, d.finish(), err
}

// Result takes in what became of a delivery handed out by Send.
func (d *Desk) Result(now sensors.Instant, r SendResult) Effects {
	d.begin(now)
	in := d.outbox.result(r)
	if in == nil {
		return Effects{}
	}
	return d.finishWith([]*incident{in})
}

// ChannelState tells the Desk that a channel is connected, with nil, or why it is
// not: since the start, since it was lost, or still. No word of a channel is no word
// that it works: say so at the start. On its return, what waited for a retry is sent
// at once.
func (d *Desk) ChannelState(now sensors.Instant, channel string, down error) Effects {
	d.begin(now)
	if again, before := d.links.state(channel, down); again {
		if before { // what it took over may have died with it
			d.outbox.recall(channel)
		}
		d.outbox.retry(channel, "")
	}
	return d.finish()
}

// StalledChannels returns the channels that have taken nothing over for
// stallAfter although something was due, or that have been down so
// long, sorted. One that flaps stays in the list until it has been well for
// as long.
func (d *Desk) StalledChannels(now sensors.Instant) []string { return d.links.stalledAt(now) }

// Renewed tells the Desk that channels were built anew: whether they work is to
// be seen, and what waits is tried at once.
func (d *Desk) Renewed(now sensors.Instant, channels ...string) Effects {
	d.begin(now)
	for _, c := range channels {
		d.links.anew(c)
		d.outbox.retry(c, "")
	}
	return d.finish()
}

// Reconfigure takes over new people, names and times; what is open stays open, and
// what rings goes to whoever is first now.
func (d *Desk) Reconfigure(now sensors.Instant, o Options) Effects {
	d.opt = o.withDefaults()
	d.begin(now)
	for _, in := range d.book.list() {
		d.outbox.readdress(in)
		in.touched = true
	}
	return d.finish()
}

// Refresh brings values and forecasts under the open notices up to date, so
// that a repeat tells what is true now and a lethal limit that came much nearer is
// told at once. The rules say nothing of what only drifts; call it about once
// a minute while anything is open. It writes nothing for drift.
func (d *Desk) Refresh(now sensors.Instant, alarms []rules.AlarmView, enclosures []rules.EnclosureView) Effects {
	return d.during(now, func() { d.book.drift(alarms, enclosures) })
}

// TimeOff takes in that nobody watched for off, at a running time that stood still
// meanwhile. Who was told before had that time to answer and could not: what
// nobody answered rings anew, and goes to the next person if it was their turn, as
// soon as a first look may have ended it. What was told since goes on as it does.
func (d *Desk) TimeOff(now sensors.Instant, at, off time.Duration) Effects {
	d.begin(now)
	for _, in := range d.book.list() {
		d.schedule.timeOff(in, at, off)
	}
	return d.finish()
}

// Acted takes in what a person did to alarms and what came of it. Whoever silences
// more than a note for an hour or longer is named to everybody, with what follows.
func (d *Desk) Acted(now sensors.Instant, a *rules.Action, ts []rules.Transition) Effects {
	return d.during(now, func() { d.silences.acted(a, ts) })
}

// Unseen takes in that a person took a probe out of service and that nobody sees since
// whether it grows too hot in an enclosure. It is told however short it is.
func (d *Desk) Unseen(now sensors.Instant, a *rules.Action, enclosure string) Effects {
	return d.during(now, func() {
		w := words.Silenced{How: words.Unseen, Subject: a.Key.Subject, Name: cmp.Or(d.opt.Names[enclosure], enclosure), By: a.By, Why: a.Why}
		d.silences.lasts(&w, a)
		d.silences.tell(w, false)
	})
}

// Dropped takes in the alarms that ended because the configuration names their
// enclosure no longer.
func (d *Desk) Dropped(now sensors.Instant, ts []rules.Transition) Effects {
	return d.during(now, func() {
		for i := range ts {
			t := &ts[i]
			row, _ := alarm.Find(t.Key.Alarm)
			rings := t.From.Annunciated() || t.From == alarm.Shelved && t.Detail.Active // or would, after the shelf
			if t.Why == alarm.WhyConfig && rings && t.Priority > alarm.Note && row.Of == alarm.OfEnclosure {
				w := words.Silenced{How: words.Dropped, Subject: t.Key.Subject, Alarms: []alarm.ID{t.Key.Alarm}}
				if in := d.book.byKey[t.Key]; in != nil {
					w.Name = in.member(t.Key).Name
				}
				d.silences.tell(w, t.Priority >= alarm.Wake)
			}
		}
	})
}

// Raised takes in alarms of heat that are open while a reload raises the lethal limit
// of their enclosures.
func (d *Desk) Raised(now sensors.Instant, alarms []rules.AlarmView) Effects {
	return d.during(now, func() {
		for _, v := range alarms {
			d.silences.tell(words.Silenced{How: words.Raised, Subject: v.Key.Subject, Alarms: []alarm.ID{v.Key.Alarm}}, v.Priority >= alarm.Wake)
		}
	})
}

// NewDrill sends a test notice to a person ("" for the first) through every
// channel of theirs, and measures. It returns the notice's id.
func (d *Desk) NewDrill(now sensors.Instant, person string) (string, Effects, error) {
	p := d.opt.person(cmp.Or(person, d.opt.People[0].ID))
	if p == nil {
		return "", Effects{}, fmt.Errorf("drill for %q: %w", person, ErrUnknownPerson)
	}
	d.begin(now)
	return d.drills.begin(p), d.finish(), nil
}

// LastDrill returns the drill begun last, finished or not.
func (d *Desk) LastDrill() (DrillResult, bool) {
	if d.drills.last == nil {
		return DrillResult{}, false
	}
	r := *d.drills.last
	r.Taken = maps.Clone(r.Taken)
	return r, true
}

// Reconcile makes the notices agree with the alarms that the rules say are not
// NORM, after a restart that may have lost one side's last words. What agrees
// is left alone.
func (d *Desk) Reconcile(now sensors.Instant, alarms []rules.AlarmView) Effects {
	return d.during(now, func() { d.book.reconcile(alarms) })
}

// Docs returns the whole state as documents, for a caller whose store was
// replaced.
func (d *Desk) Docs() []store.Doc {
	var docs []store.Doc
	for _, in := range d.book.list() {
		docs = append(docs, encode(in))
	}
	if d.drills.last != nil {
		docs = append(docs, drillDoc(d.drills.last))
	}
	return docs
}
