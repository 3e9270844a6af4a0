package alert

import (
	"cmp"
	"iter"
	"maps"
	"math"
	"slices"
	"strings"

	"dewline/rules/alarm"
)

// A book holds the notices, and knows under which of them each alarm stands.
type book struct {
	*call
	byID   map[string]*incident // every incident, ended ones included
	sorted []*incident          // the same by id; nil when out of date
	open   map[group]*incident  // those that have not ended
	byKey  map[alarm.Key]*incident
}

func newBook(c *call) *book {
	return &book{call: c, byID: make(map[string]*incident), open: make(map[group]*incident), byKey: make(map[alarm.Key]*incident)}
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

// parcels visits all deliveries.
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

// add puts an incident into the books.
func (b *book) add(in *incident) { b.byID[in.Notice.ID], b.sorted = in, nil }

// forget removes an incident and its document.
func (b *book) forget(in *incident) {
	delete(b.byID, in.Notice.ID)
	b.sorted = nil
	b.shut(in)
	maps.DeleteFunc(b.byKey, func(_ alarm.Key, o *incident) bool { return o == in })
	b.eff.Docs = append(b.eff.Docs, docOf(docKey(in.Notice.ID), nil))
}

// shut takes an incident out of those that new alarms may join.
func (b *book) shut(in *incident) {
	maps.DeleteFunc(b.open, func(_ group, o *incident) bool { return o == in })
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
	b.log(Event{Notice: from.Notice.ID, What: "merged", Why: to.Notice.ID})
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
