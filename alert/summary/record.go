package summary

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// A Record is what a summary is made from; *store.Store is one.
type Record interface {
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Journal(from, to time.Time) iter.Seq2[event.Event, error]
	Docs(store.Bucket) iter.Seq2[store.Doc, error]
}

// A builder is one Build under way.
type builder struct {
	ctx        context.Context
	rec        Record
	cfg        *configs.Config
	week, prev Week
	now        time.Time
	loc        *time.Location
	report     *Report

	kept    []room.Record     // of the alarms
	onsets  []*Excursion      // of the last weeks, in order
	events  []event.Event     // about notices and drills
	began   time.Time         // of the log
	typed   time.Time         // since when mists, nights and doses are in it; zero for never
	found   map[string]*found // by enclosure
	notes   map[string][]Note
	covered map[sensors.ProbeID]time.Duration // in the week
	alive   map[int64]time.Duration           // by ten minutes: the best coverage of any probe
	owned   map[string]bool                   // enclosures and their probes
	faults  map[string]bool                   // said already
}

// fault returns what notes, once, why something cannot be read.
func (b *builder) fault(what string) func(error) {
	return func(err error) {
		if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || b.faults[what] {
			return
		}
		b.faults[what] = true
		b.unknown("%s cannot be read whole: %v", what, err)
	}
}

func (b *builder) unknown(format string, args ...any) {
	b.report.Unknown = append(b.report.Unknown, fmt.Sprintf(format, args...))
}

// found are the events about one enclosure that figures are made of, in order.
type found struct {
	mists  event.Mists
	dries  []event.DryDown
	nights []Night
	doses  []dosed
}

type dosed struct {
	at time.Time
	event.Dose
}

// lookBack is how far before the week the journal is read: the four weeks that
// a mean rate of alarms is taken over, as ISA-18.2 asks for a month.
const lookBack = 28 * 24 * time.Hour

func (b *builder) excursion(p *alarm.Past) *Excursion {
	x := &Excursion{
		Alarm: p.Key.Alarm, Subject: p.Key.Subject, Priority: p.Priority, From: p.From.Wall.In(b.loc),
		AckedBy: p.By, Shelved: p.Shelved, began: p.From.Wall.Before(b.report.From), past: p, raised: p.Raised.Wall.In(b.loc),
	}
	if !p.To.IsZero() {
		x.To = p.To.Wall.In(b.loc)
	}
	if !p.Answered.IsZero() {
		x.AckedIn = p.Answered.Sub(p.Raised).Minutes()
	}
	if row, _ := alarm.Find(p.Key.Alarm); row.AtLimit && p.Peak != nil {
		x.Peak = &p.Peak.Value
		if p.Peak.At.Synced {
			x.PeakAt = p.Peak.At.Wall.In(b.loc)
		}
	}
	return x
}

// readJournal collects the alarms and what happened to notices up to the end
// of the week.
func (b *builder) readJournal() {
	var log alarm.History
	for e := range store.Good(b.rec.Journal(time.Time{}, b.report.Until.Add(afterWeek)), b.fault("the journal")) {
		if b.began.IsZero() {
			b.began = e.At.Wall
		}
		if b.typed.IsZero() && e.Schema > 0 {
			b.typed = e.At.Wall
		}
		b.take(&e)
		if !e.At.Wall.Before(b.report.Until) {
			continue
		}
		switch e.Body.(type) {
		case event.Alarm:
			log.Take(&e)
		case event.Notice, event.Drill:
			b.events = append(b.events, e)
		}
	}
	b.soFar(log.Onsets)
	keep := b.report.To.Add(-lookBack)
	for _, p := range log.Onsets {
		if o := b.excursion(p); o.To.IsZero() || !o.To.Before(keep) || !o.From.Before(keep) {
			b.onsets = append(b.onsets, o)
		}
	}
}

// soFar gives what lasts the furthest value that the rules keep of it, which no line of
// the log has before it is over.
func (b *builder) soFar(onsets []*alarm.Past) {
	kept := map[string]*alarm.Peak{}
	for r := range store.Good(store.Decode[room.Record](b.rec.Docs(store.BucketAlarms)), b.fault("what is kept of the alarms")) {
		b.kept = append(b.kept, r)
		if r.Peak != nil && r.Peak.At.Wall.Before(b.report.Until) {
			kept[alarm.OnsetID(r.Key, r.Life.Seq)] = r.Peak
		}
	}
	for _, p := range onsets {
		if p.To.IsZero() {
			row, _ := alarm.Find(p.Key.Alarm)
			p.Peak = p.Peak.Further(kept[alarm.OnsetID(p.Key, p.Seq)], row.Low)
		}
	}
}

func (b *builder) during(o *Excursion) bool {
	return o.From.Before(b.report.Until) && (o.To.IsZero() || !o.To.Before(b.report.From))
}

// excursions sorts the alarms of one enclosure and of its probes into
// stretches outside the band and others.
func (b *builder) excursions(out *Enclosure) {
	mine := map[string]bool{out.ID: true}
	for _, p := range out.Probes {
		mine[p.ID] = true
	}
	maps.Copy(b.owned, mine)
	for _, o := range b.onsets {
		if !mine[o.Subject] || !b.during(o) {
			continue
		}
		if row, _ := alarm.Find(o.Alarm); row.AtLimit {
			out.Excursions = append(out.Excursions, *o)
		} else {
			out.Others = append(out.Others, *o)
		}
	}
}

func (b *builder) readNotes() {
	for n := range store.Good(store.Decode[alert.Note](b.rec.Docs(store.BucketNotes)), b.fault("the notes")) {
		if within(n.At.Wall, b.report.From, b.report.Until) {
			b.notes[n.Enclosure] = append(b.notes[n.Enclosure], Note{n.At.Wall.In(b.loc), n.By, n.Text})
		}
	}
	for _, some := range b.notes {
		slices.SortStableFunc(some, func(x, y Note) int { return x.At.Compare(y.At) })
	}
	b.report.Notes = b.notes[""]
}

// afterWeek is how far the log is read beyond the week: the verdict on a mist
// due in its last minutes comes so much later.
const afterWeek = 20 * time.Minute

func (b *builder) take(e *event.Event) {
	of := func(id string) *found {
		f := b.found[id]
		if f == nil {
			f = &found{}
			b.found[id] = f
		}
		return f
	}
	switch body := e.Body.(type) {
	case event.Mist:
		if !body.At().Before(b.prev.From()) {
			of(body.Enclosure).mists.Take(body)
		}
	case event.DryDown:
		of(body.Enclosure).dries = append(of(body.Enclosure).dries, body)
	case event.Night:
		of(body.Enclosure).nights = append(of(body.Enclosure).nights, Night{e.At.Wall.In(b.loc), body.Drop})
	case event.Dose:
		of(body.Enclosure).doses = append(of(body.Enclosure).doses, dosed{e.At.Wall, body})
	}
}

// tell fills in what the log says of an enclosure, in the week and the one before.
func (b *builder) tell(out *Enclosure, e configs.Enclosure) {
	f := b.found[e.ID]
	if f == nil {
		f = &found{}
	}
	sched, hasMist := b.cfg.MistOf(e)
	if hasMist {
		b.report.supply[e.ID] = cmp.Or(sched.Supply, sched.ID)
	}
	part := func(fig *Figures, from, begin, to time.Time) {
		if begin = later(begin, b.typed); b.typed.IsZero() || !begin.Before(to) {
			fig.Unrecorded = true
			return
		}
		fig.Mist = f.mist(from, to)
		if hasMist { // what was due is due, whether or not anything was there to see it
			fig.Mist.Due = countDue(sched, begin, to, b.loc)
		}
		fig.DryDown, fig.Exposure = f.dryDown(from, to), f.exposure(from, to)
		fig.Exposure.Known = fig.Covered > 0
		var drops []float64
		for _, n := range f.nightsIn(from, to) {
			if n.Drop != nil {
				drops = append(drops, *n.Drop)
			}
		}
		fig.Drop = median(drops)
	}
	part(&out.Before, b.prev.From(), b.prev.From(), b.prev.To())
	part(&out.Figures, b.report.From, out.since, b.report.Until)
	out.Before.DryDown.Trend = "" // it is that of now
	out.Nights = b.allNights(out, f.nightsIn(b.report.From, b.report.Until))
	for _, m := range f.mists {
		if within(m.Start, b.report.From, b.report.Until) && !slices.Contains(out.pulses, m.Start) {
			out.pulses = append(out.pulses, m.Start)
		}
		if m.Verdict == event.MistMissed && within(m.Due, b.report.From, b.report.Until) {
			out.missed = append(out.missed, m.Due)
		}
	}
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func within(at, from, to time.Time) bool { return !at.Before(from) && at.Before(to) }

func (f *found) mist(from, to time.Time) (out Mist) {
	for _, m := range f.mists {
		switch {
		case !within(m.Due, from, to):
		case m.Verdict == event.MistGiven:
			out.Seen++
		case m.Verdict == event.MistWeak:
			out.Weak++
		case m.Verdict == event.MistMissed:
			out.Missed++
		}
	}
	return out
}

func (f *found) dryDown(from, to time.Time) DryDown {
	var d DryDown
	var halves []float64
	for _, one := range f.dries {
		if one.HalfLife > 0 && within(one.Start, from, to) {
			halves = append(halves, one.HalfLife/60)
			d.Trend = cmp.Or(one.Trend, d.Trend)
		}
	}
	d.Pulses, d.HalfLife = len(halves), median(halves)
	return d
}

func (f *found) exposure(from, to time.Time) Exposure {
	var x Exposure
	for _, d := range f.doses {
		switch {
		case d.at.Before(from):
			x.Carried = d.Share
		case d.at.Before(to):
			x.Unseen += d.Unseen / 60
			if d.DegreeHours > 0 {
				x.DegreeHours += d.DegreeHours
				x.Peak = max(x.Peak, d.Peak)
			}
		}
	}
	return x
}

func (f *found) nightsIn(from, to time.Time) []Night {
	return slices.DeleteFunc(slices.Clone(f.nights), func(n Night) bool { return !within(n.Morning, from, to) })
}

func countDue(m configs.Mist, from, to time.Time, loc *time.Location) int {
	n := 0
	for at := m.Next(from.Add(-time.Nanosecond), loc); !at.IsZero() && at.Before(to); at = m.Next(at, loc) {
		n++
	}
	return n
}

// allNights lists the seven nights by the morning on which they end; one that
// nobody measured has no drop.
func (b *builder) allNights(out *Enclosure, found []Night) []Night {
	var all []Night
	for day := range 7 {
		from, to := b.week.day(day), b.week.day(day+1)
		if !out.Limits.Lamps || !from.Before(b.report.Until) || to.Before(out.since) {
			continue
		}
		n := Night{Morning: from}
		for _, have := range found {
			if within(have.Morning, from, to) {
				n = have
			}
		}
		all = append(all, n)
	}
	return all
}

// median returns the middle of xs, nil for none.
func median(xs []float64) *float64 {
	if len(xs) == 0 {
		return nil
	}
	s := slices.Sorted(slices.Values(xs))
	return new((s[(len(s)-1)/2] + s[len(s)/2]) / 2)
}

// dueWithin is how far ahead calibrations and drills are announced.
const dueWithin = 14 * 24 * time.Hour

// slotSpan is the length of one sum of the record that figures are made of.
const slotSpan = 10 * time.Minute

// A slot joins what the probes of one enclosure measured in ten minutes.
type slot struct {
	start                         time.Time
	covered, inBand, below, above time.Duration
	temp, hum                     *store.Spread // of the probe that is judged
	hottest                       int32         // of any probe, where there is a temp
	atFloor                       bool          // hum is of the floor's own probe
}

type slots []*slot

// between returns the slots that start in [from, to), by whole seconds. A week begins
// on a multiple of ten minutes in every zone there is.
func (all slots) between(from, to time.Time) slots {
	index := func(t time.Time) int {
		i, _ := slices.BinarySearchFunc(all, t.Unix(), func(s *slot, at int64) int { return cmp.Compare(s.start.Unix(), at) })
		return i
	}
	return all[index(from):max(index(from), index(to))]
}
