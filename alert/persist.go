package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

const (
	noticePrefix = "notice/"
	drillKey     = "drill/last"
)

func docKey(noticeID string) string { return noticePrefix + noticeID }

// keep puts an incident into the effects.
func (d *Desk) keep(in *incident) {
	in.touched = false
	d.eff.Put = append(d.eff.Put, encode(in))
}

// encode makes the document of an incident.
func encode(in *incident) Doc {
	data, err := json.Marshal(in)
	if err != nil {
		// Only a value that JSON has no form for gets here, such as NaN from a
		// rule: keep the notice without its figures rather than not at all.
		c := *in
		c.Notice.Members = slices.Clone(in.Notice.Members)
		for i := range c.Notice.Members {
			m := &c.Notice.Members[i]
			m.Value, m.Peak, m.PeakLimit, m.Limit, m.HasValue, m.HasLimit = 0, 0, 0, 0, false, false
			m.Detail = rules.Detail{FirstAction: m.Detail.FirstAction, Steps: m.Detail.Steps, Air: m.Detail.Air}
		}
		if c.Said != nil {
			s := *c.Said
			s.Minutes = 0
			c.Said = &s
		}
		data, _ = json.Marshal(&c)
	}
	return Doc{Key: docKey(in.Notice.ID), Data: data}
}

// Docs returns the whole state as documents, for a caller whose store was
// replaced.
func (d *Desk) Docs() []Doc {
	var docs []Doc
	for _, in := range d.incidents() {
		docs = append(docs, encode(in))
	}
	if d.last != nil {
		docs = append(docs, drillDoc(d.last))
	}
	return docs
}

// Restore takes in the documents of an earlier run, whatever their order, into
// an empty Desk. What had been handed out without a result is sent again. A
// document that cannot be read is reported in the error, which joins one for
// each, and the rest is used.
func (d *Desk) Restore(now sensors.Instant, docs []Doc) (Effects, error) {
	d.begin(now)
	var errs []error
	sorted := slices.Clone(docs)
	slices.SortFunc(sorted, func(a, b Doc) int { return strings.Compare(a.Key, b.Key) })
	for _, doc := range sorted {
		if err := d.restoreDoc(doc); err != nil {
			errs = append(errs, fmt.Errorf("read back document %q: %w", doc.Key, err))
		}
	}
	return d.finish(), errors.Join(errs...)
}

func (d *Desk) restoreDoc(doc Doc) error {
	in, err := d.read(doc)
	if in == nil || err != nil {
		return err
	}
	d.adopt(in)
	return nil
}

// succeeds reports whether a is a later word on an alarm than b.
func succeeds(a, b *Member) bool {
	if a.Seq != b.Seq {
		return a.Seq > b.Seq
	}
	return b.State == alarm.Norm
}

// adopt puts a restored incident into the books.
func (d *Desk) adopt(in *incident) {
	d.add(in)
	in.Out = slices.DeleteFunc(in.Out, func(p *parcel) bool { return p == nil || !d.reaches(p.Person, p.Channel) })
	in.Level = max(0, min(in.Level, len(d.opt.People)-1))
	in.Repeated = max(0, in.Repeated)
	in.fillIn()
	for _, p := range in.Out {
		d.attempt = max(d.attempt, p.Attempt)
		if p.State == out {
			p.State = due
		}
		if p.State == due {
			p.NotBefore, p.Fails, p.DueSince = d.now.Mono, 0, min(p.DueSince, d.now.Mono)
		}
	}
	for i := range in.Notice.Members {
		m := &in.Notice.Members[i]
		if old := d.byKey[m.Key]; old == nil || succeeds(m, old.member(m.Key)) {
			d.byKey[m.Key] = in
		}
	}
	if in.drill() {
		d.last = in.Drill
		return
	}
	if in.Ended || in.aside() {
		return
	}
	if in.Said != nil {
		d.address(in)
	}
	g := d.groupIn(in)
	if other := d.open[g]; other != nil {
		d.absorb(in, other)
		return
	}
	d.open[g] = in
}

// fillIn makes up for what a document of an earlier version lacks: who was
// told what.
func (in *incident) fillIn() {
	handed := 0
	for _, p := range in.Out {
		if p.Confirmed == 0 && p.Sent > 0 {
			p.Confirmed = p.Version - 1
			if p.State == taken {
				p.Confirmed = p.Version
			}
		}
		handed = max(handed, p.Confirmed)
	}
	for i := range in.Notice.Members {
		if m := &in.Notice.Members[i]; m.Told && m.Named == nil && in.Said != nil {
			m.name(&in.Notice, in.Said.At)
			m.Heard = m.namedBy(in.Notice.ID, handed)
		}
	}
}

// Reconcile makes the notices agree with the alarms that the rules say are not
// NORM, after a restart that may have lost one side's last words. What agrees
// is left alone.
func (d *Desk) Reconcile(now sensors.Instant, alarms []rules.AlarmView) Effects {
	d.begin(now)
	d.reconcile(now, alarms)
	return d.finish()
}

func (d *Desk) reconcile(now sensors.Instant, alarms []rules.AlarmView) {
	known := make(map[rules.Key]bool, len(alarms))
	for i := range alarms {
		v := &alarms[i]
		known[v.Key] = true
		if in := d.byKey[v.Key]; in != nil {
			if m := in.member(v.Key); m.Seq == v.Seq && m.State == v.State && m.Priority == v.Priority {
				continue
			}
		}
		t := transitionOf(now, v)
		d.take(now, &t)
	}
	for _, in := range d.incidents() {
		for _, m := range slices.Clone(in.Notice.Members) {
			if m.State == alarm.Norm || known[m.Key] || d.byKey[m.Key] != in {
				continue
			}
			t := rules.Transition{
				At: now, Key: m.Key, Seq: m.Seq, From: m.State, To: alarm.Norm, Priority: m.Priority,
				Cause: in.Notice.Cause, Value: m.Value, HasValue: m.HasValue, Limit: m.Limit,
				HasLimit: m.HasLimit, Unit: m.Unit, Since: m.Since, Text: m.Text,
			}
			d.take(now, &t)
		}
	}
}

// transitionOf states an alarm's present condition as a transition.
func transitionOf(now sensors.Instant, v *rules.AlarmView) rules.Transition {
	return rules.Transition{
		At: now, Key: v.Key, Seq: v.Seq, From: v.State, To: v.State, Priority: v.Priority,
		Cause: v.Cause, Value: v.Value, HasValue: v.HasValue, Limit: v.Limit, HasLimit: v.HasLimit,
		Unit: v.Unit, Since: v.Since, By: v.AckedBy, Text: v.Text, Detail: v.Detail,
	}
}
