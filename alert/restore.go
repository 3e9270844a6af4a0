package alert

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// Restore takes in the documents of an earlier run, whatever their order, into
// an empty Desk. What had been handed out without a result is sent again. A
// document that cannot be read is reported in the error, which joins one for
// each, and the rest is used.
func (d *Desk) Restore(now sensors.Instant, docs []store.Doc) (Effects, error) {
	d.begin(now)
	err := d.resume(docs, nil)
	return d.finish(), err
}

// Merge takes in the documents of an earlier run that could only be read when
// this one had gone on for a while. Times of this run move by so much running
// time as the earlier run had; now is past that. Two notices of one cause become
// the one that rings, or else that of this run. What was handed out keeps its
// attempt: nothing is told twice that is on its way. The notices then agree with
// the alarms that are not NORM, before any of them rings.
func (d *Desk) Merge(now sensors.Instant, by time.Duration, docs []store.Doc, onsets map[alarm.Key]rules.Renumbering, alarms []rules.AlarmView) (Effects, error) {
	d.shift(by, onsets)
	d.begin(now)
	err := d.resume(docs, onsets)
	d.book.reconcile(alarms)
	return d.finish(), err
}

// resume puts the notices of an earlier run into the books beside those of this
// one: those that ring first, so that what is absorbed is the quieter.
func (d *Desk) resume(docs []store.Doc, onsets map[alarm.Key]rules.Renumbering) error {
	last := d.drills.last
	list, err := d.decode(docs)
	slices.SortFunc(list, func(a, b *incident) int {
		return cmp.Or(cmp.Compare(b.urgency(), a.urgency()), strings.Compare(a.Notice.ID, b.Notice.ID))
	})
	for _, in := range list {
		for m := range in.Notice.each() {
			if n := onsets[m.Key]; n.Old != 0 && n.Old == m.Seq && m.State != alarm.Norm {
				m.Seq = n.Now
			}
		}
		d.adopt(in)
	}
	d.drills.last = cmp.Or(last, d.drills.last)
	d.book.separate()
	return err
}

// decode reads the notices of an earlier run that this one does not hold. A
// document that cannot be read is named in the error.
func (d *Desk) decode(docs []store.Doc) (list []*incident, err error) {
	for _, doc := range docs {
		in, fault := d.read(doc)
		switch {
		case fault != nil:
			err = errors.Join(err, fmt.Errorf("read back document %q: %w", doc.Key, fault))
		case in != nil && d.book.byID[in.Notice.ID] == nil:
			list = append(list, in)
		}
	}
	return list, err
}

// read decodes one document; nil where it holds no notice. That of the last drill
// counts unless this run began one.
func (d *Desk) read(doc store.Doc) (*incident, error) {
	switch {
	case doc.Key == drillKey && d.drills.last == nil:
		var r DrillResult
		if err := json.Unmarshal(doc.Value, &r); err != nil {
			return nil, err
		}
		d.drills.last = &r
		return nil, nil
	case !strings.HasPrefix(doc.Key, noticePrefix):
		return nil, nil
	}
	in := &incident{}
	if err := json.Unmarshal(doc.Value, in); err != nil {
		return nil, err
	}
	if docKey(in.Notice.ID) != doc.Key {
		return nil, fmt.Errorf("holds notice %q", in.Notice.ID)
	}
	if in.drill() && in.Drill == nil {
		return nil, errors.New("is a drill without its record")
	}
	return in, nil
}

// What a notice told may not be on its record, by a crash or as that is an older backup: an
// answer to a version that was lost covers nothing newer. mostLost is more than were lost;
// of so many steps by runs that began with the same record hardly two take the same.
const (
	mostLost = 1000
	runsLost = 64
)

// Start makes the versions that follow those of an earlier run unlike those of any other run.
func (d *Desk) Start(leap uint64) { d.lost = mostLost * (1 + int(leap%runsLost)) }

func (d *Desk) adopt(in *incident) {
	other := d.book.open(groupIn(in)) // before it stands there itself
	d.book.add(in)
	in.lost = d.lost
	in.Repeated = max(0, in.Repeated)
	d.outbox.resume(in)
	in.fillIn()
	d.outbox.readdress(in)
	d.book.claim(in)
	if in.drill() {
		d.drills.last = in.Drill
	}
	switch {
	case in.Ended || in.aside() || other == nil:
	case in.urgency() > other.urgency():
		d.book.absorb(other, in)
	default:
		d.book.absorb(in, other)
		other.Level = max(other.Level, in.Level)
		if other.Said != nil {
			d.outbox.address(other) // whoever was told of the one is told by the other
		}
	}
}

// shift moves the running times of this run, and numbers its onsets anew.
func (d *Desk) shift(by time.Duration, onsets map[alarm.Key]rules.Renumbering) {
	for _, in := range d.book.list() {
		moveTimes(reflect.ValueOf(in), by)
		in.touched = true
		for m := range in.Notice.each() {
			if n := onsets[m.Key]; n.Mine != 0 && n.Mine == m.Seq {
				m.Seq = n.Now
			}
		}
	}
	if last := d.drills.last; last != nil && d.book.byID[last.ID] == nil { // else it was moved with its notice
		moveTimes(reflect.ValueOf(last), by)
	}
	d.links.shift(by)
}

// moveTimes moves every running time below v that is set: in an incident all
// durations but those of a Detail, which are spans, are running times, and zero
// means not set.
func moveTimes(v reflect.Value, by time.Duration) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			moveTimes(v.Elem(), by)
		}
	case reflect.Slice:
		for i := range v.Len() {
			moveTimes(v.Index(i), by)
		}
	case reflect.Struct:
		if t := v.Type(); t == reflect.TypeFor[time.Time]() || t == reflect.TypeFor[alarm.Detail]() {
			return
		}
		for i := range v.NumField() {
			moveTimes(v.Field(i), by)
		}
	case reflect.Int64:
		if v.Type() == reflect.TypeFor[time.Duration]() && v.Int() != 0 && v.CanSet() {
			v.SetInt(v.Int() + int64(by))
		}
	}
}
