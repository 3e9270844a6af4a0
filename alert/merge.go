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
)

// Merge takes in the documents of an earlier run that could only be read when
// this one had gone on for a while. Times of this run move by so much running
// time as the earlier run had; now is past that. Two notices of one cause become
// the one that rings, or else that of this run. What was handed out keeps its
// attempt: nothing is told twice that is on its way. The notices then agree with
// the alarms that are not NORM, before any of them rings.
func (d *Desk) Merge(now sensors.Instant, by time.Duration, docs []Doc, onsets map[rules.Key]rules.Renumbering, alarms []rules.AlarmView) (Effects, error) {
	for _, in := range d.incidents() {
		shift(reflect.ValueOf(in), by)
		in.touched = true
		for i := range in.Notice.Members {
			m := &in.Notice.Members[i]
			if n := onsets[m.Key]; n.Mine != 0 && n.Mine == m.Seq {
				m.Seq = n.Now
			}
		}
	}
	if d.last != nil && d.byID[d.last.ID] == nil { // else it was moved with its notice
		shift(reflect.ValueOf(d.last), by)
	}
	for _, l := range d.links {
		l.shift(by)
	}
	d.begin(now)
	old, errs := d.decode(docs)
	for _, in := range old {
		for i := range in.Notice.Members {
			m := &in.Notice.Members[i]
			if n := onsets[m.Key]; n.Old != 0 && n.Old == m.Seq && m.State != alarm.Norm {
				m.Seq = n.Now
			}
		}
		d.join(in)
	}
	d.separate()
	d.reconcile(now, alarms)
	return d.finish(), errors.Join(errs...)
}

// decode reads the notices of an earlier run that this one does not hold, those
// that ring first, so that what is absorbed is the quieter.
func (d *Desk) decode(docs []Doc) ([]*incident, []error) {
	var list []*incident
	var errs []error
	for _, doc := range docs {
		in, err := d.read(doc)
		switch {
		case err != nil:
			errs = append(errs, fmt.Errorf("read back document %q: %w", doc.Key, err))
		case in != nil && d.byID[in.Notice.ID] == nil:
			list = append(list, in)
		}
	}
	slices.SortFunc(list, func(a, b *incident) int {
		return cmp.Or(cmp.Compare(b.urgency(), a.urgency()), strings.Compare(a.Notice.ID, b.Notice.ID))
	})
	return list, errs
}

// read decodes one document; nil where it holds no notice. That of the last drill
// counts unless this run began one.
func (d *Desk) read(doc Doc) (*incident, error) {
	if doc.Key == drillKey && d.last != nil || doc.Key != drillKey && !strings.HasPrefix(doc.Key, noticePrefix) {
		return nil, nil
	}
	if doc.Key == drillKey {
		var r DrillResult
		if err := json.Unmarshal(doc.Data, &r); err != nil {
			return nil, err
		}
		d.last = &r
		return nil, nil
	}
	in := &incident{}
	if err := json.Unmarshal(doc.Data, in); err != nil {
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

// urgency is that of what rings, 0 where nothing does.
func (in *incident) urgency() int {
	if in.aside() || in.Ended || in.acked() {
		return 0
	}
	return in.rank()
}

// join puts a notice of an earlier run into the books beside those of this one.
func (d *Desk) join(in *incident) {
	last := d.last
	other := d.open[d.groupIn(in)]
	if in.aside() || in.Ended || other == nil {
		d.adopt(in)
	} else if in.urgency() > other.urgency() {
		d.shut(other)
		d.adopt(in)
		d.absorb(other, in)
	} else {
		d.adopt(in) // absorbed by other
		other.Level = max(other.Level, min(in.Level, len(d.opt.People)-1))
		if other.Said != nil {
			d.address(other) // whoever was told of the one is told by the other
		}
	}
	if last != nil {
		d.last = last
	}
}

// separate leaves each alarm that tells under one open notice: the one that
// rings, or else the broader. A notice that is left with none is absorbed.
func (d *Desk) separate() {
	open := slices.DeleteFunc(slices.Clone(d.incidents()), func(in *incident) bool { return in.Ended || in.aside() })
	slices.SortStableFunc(open, func(a, b *incident) int {
		return cmp.Or(cmp.Compare(b.urgency(), a.urgency()), cmp.Compare(breadth(b.Notice.Cause), breadth(a.Notice.Cause)))
	})
	home := map[rules.Key]*incident{}
	for _, in := range open {
		var other *incident
		for _, m := range slices.Clone(in.Notice.Members) {
			switch held := home[m.Key]; {
			case !counts(&m):
			case held == nil:
				home[m.Key], d.byKey[m.Key] = in, in
			default:
				in.leave(m.Key)
				other = held
			}
		}
		if other != nil && !in.active() {
			d.absorb(in, other)
		}
	}
}

// shift moves a channel's running times that are set.
func (l *link) shift(by time.Duration) {
	if !l.lastSuccess.IsZero() {
		l.lastSuccess.Mono += by
	}
	for _, t := range []*time.Duration{&l.failingSince, &l.failedAt, &l.downSince, &l.upSince, &l.unwell} {
		if *t != 0 {
			*t += by
		}
	}
}

// shift moves every running time below v that is set: in an incident all
// durations are running times, and zero means not set.
func shift(v reflect.Value, by time.Duration) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			shift(v.Elem(), by)
		}
	case reflect.Slice:
		for i := range v.Len() {
			shift(v.Index(i), by)
		}
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			return
		}
		for i := range v.NumField() {
			shift(v.Field(i), by)
		}
	case reflect.Int64:
		if v.Type() == reflect.TypeFor[time.Duration]() && v.Int() != 0 && v.CanSet() {
			v.SetInt(v.Int() + int64(by))
		}
	}
}
