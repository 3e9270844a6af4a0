package summary

import (
	"maps"
	"slices"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/store"
)

// lookBack is how far before the week the journal is read: the four weeks that
// a mean rate of alarms is taken over, as ISA-18.2 asks for a month.
const lookBack = 28 * 24 * time.Hour

func (b *builder) excursion(p *alarm.Past) *Excursion {
	x := &Excursion{
		Alarm: p.Key.Alarm, Subject: p.Key.Subject, Priority: p.Priority, From: p.From.Wall.In(b.loc),
		AckedBy: p.By, Shelved: p.Shelved, began: p.From.Wall.Before(b.report.From), past: p,
	}
	if !p.To.IsZero() {
		x.To = p.To.Wall.In(b.loc)
	}
	if !p.Answered.IsZero() {
		x.AckedIn = p.Answered.Sub(p.From).Minutes()
	}
	return x
}

// readJournal collects the alarms and what happened to notices up to the end
// of the week.
func (b *builder) readJournal() {
	var log alarm.History
	for e, err := range b.rec.Journal(time.Time{}, b.report.Until.Add(afterWeek)) {
		if err != nil {
			b.fault("the journal", err)
			continue
		}
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
	keep := b.report.To.Add(-lookBack)
	for _, p := range log.Onsets {
		if o := b.excursion(p); o.To.IsZero() || !o.To.Before(keep) || !o.From.Before(keep) {
			b.onsets = append(b.onsets, o)
		}
	}
}

func (b *builder) during(o *Excursion) bool {
	return o.From.Before(b.report.Until) && (o.To.IsZero() || !o.To.Before(b.report.From))
}

// excursions sorts the alarms of one enclosure and of its probes into
// stretches outside the band, with their peaks, and others.
func (b *builder) excursions(out *Enclosure, all slots) {
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
			x := *o
			x.peak(all, b.report.Until, row.Spec(row.Priority, b.cfg.Rules).OnDelay)
			out.Excursions = append(out.Excursions, x)
		} else {
			out.Others = append(out.Others, *o)
		}
	}
}

// peak finds the furthest value while the excursion lasted, and for the on-delay
// before it was raised.
// A sum that begins up to its own length before has a part in it.
func (x *Excursion) peak(all slots, until time.Time, delay time.Duration) {
	end := x.To
	if end.IsZero() {
		end = until
	}
	for _, s := range all.between(x.From.Add(-delay-slotSpan), end) {
		v, ok := x.furthest(s.slot)
		if ok && (x.Peak == nil || v != *x.Peak && (v < *x.Peak) == x.low()) {
			x.Peak, x.PeakAt = ptr(v), s.start.In(x.From.Location())
		}
	}
}

// furthest is the value of a slot that the alarm is about.
func (x *Excursion) furthest(s *slot) (float64, bool) {
	switch {
	case x.Alarm == alarm.HumidityFloor:
		if s.hum == nil {
			return 0, false
		}
		return float64(s.hum.Min) / 100, true
	case s.temp == nil:
		return 0, false
	case x.Alarm == alarm.BelowBand:
		return float64(s.temp.Min) / 100, true
	}
	return float64(s.hottest) / 100, true
}

func (b *builder) readNotes() {
	for n, err := range store.Decode[alert.Note](b.rec.Docs(store.BucketNotes)) {
		if err != nil {
			b.fault("the notes", err)
			continue
		}
		if within(n.At.Wall, b.report.From, b.report.Until) {
			b.notes[n.Enclosure] = append(b.notes[n.Enclosure], Note{n.At.Wall.In(b.loc), n.By, n.Text})
		}
	}
	for _, some := range b.notes {
		slices.SortStableFunc(some, func(x, y Note) int { return x.At.Compare(y.At) })
	}
	b.report.Notes = b.notes[""]
}
