package summary

import (
	"encoding/json"
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/store"
)

// lookBack is how far before the week the journal is read: the four weeks that
// a mean rate of alarms is taken over, as ISA-18.2 asks for a month.
const lookBack = 28 * 24 * time.Hour

// onsetOf makes the excursion of an onset.
func (b diary) onsetOf(p *alarm.Past) *onset {
	x := Excursion{
		Alarm: p.Key.Alarm, Subject: p.Key.Subject, Priority: p.Priority, From: p.From.Wall.In(b.loc),
		AckedBy: p.By, Shelved: p.Shelved, began: p.From.Wall.Before(b.report.From),
	}
	if !p.To.IsZero() {
		x.To = p.To.Wall.In(b.loc)
	}
	if !p.Answered.IsZero() {
		x.AckedIn = p.Answered.Sub(p.From).Minutes()
	}
	return &onset{x, *p}
}

// readJournal collects the alarms and what happened to notices up to the end
// of the week.
func (b diary) readJournal() {
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
	for _, p := range log.Onsets {
		b.onsets = append(b.onsets, b.onsetOf(p))
	}
	keep := b.report.To.Add(-lookBack)
	b.onsets = slices.DeleteFunc(b.onsets, func(o *onset) bool {
		return !o.To.IsZero() && o.To.Before(keep) && o.From.Before(keep)
	})
}

// during reports whether o touched the week.
func (b diary) during(o *onset) bool {
	return o.From.Before(b.report.Until) && (o.To.IsZero() || !o.To.Before(b.report.From))
}

// excursions sorts the alarms of one enclosure and of its probes into
// stretches outside the band, with their peaks, and others.
func (b diary) excursions(out *Enclosure, all slots) {
	mine := map[string]bool{out.ID: true}
	for _, p := range out.Probes {
		mine[p.ID] = true
	}
	for _, o := range b.onsets {
		if !mine[o.Subject] || !b.during(o) {
			continue
		}
		if row, _ := alarm.Find(o.Alarm); row.AtLimit {
			x := o.Excursion
			x.peak(all, b.report.Until, b.onDelay(x.Alarm))
			out.Excursions = append(out.Excursions, x)
		} else {
			out.Others = append(out.Others, o.Excursion)
		}
	}
}

// onDelay is for how long an excursion lasted before it was raised.
func (b diary) onDelay(id rules.AlarmID) time.Duration {
	row, _ := alarm.Find(id)
	return row.Spec(row.Priority, b.cfg.Rules).OnDelay
}

// peak finds the furthest value while the excursion lasted, on-delay included.
// A sum that begins up to its own length before has a part in it.
func (x *Excursion) peak(all slots, until time.Time, delay time.Duration) {
	end := x.To
	if end.IsZero() {
		end = until
	}
	for _, s := range all.between(x.From.Add(-delay-slotSpan), end) {
		v, ok := x.furthest(s.slot)
		if ok && (x.Peak == nil || x.beyond(v, *x.Peak)) {
			x.Peak, x.PeakAt = ptr(v), s.start.In(x.From.Location())
		}
	}
}

func (x *Excursion) beyond(a, b float64) bool {
	if x.low() {
		return a < b
	}
	return a > b
}

// furthest is the value of a slot that the alarm is about.
func (x *Excursion) furthest(s *slot) (float64, bool) {
	switch {
	case x.Alarm == rules.HumidityFloor && s.hum != nil:
		return float64(s.hum.Min) / 100, true
	case x.Alarm == rules.HumidityFloor:
		return 0, false
	case x.Alarm == rules.BelowBand && s.temp != nil:
		return float64(s.temp.Min) / 100, true
	case s.hasHot:
		return float64(s.hottest) / 100, true
	}
	return 0, false
}

// A storedNote is a note as the daemon keeps it.
type storedNote struct {
	At struct {
		Wall time.Time `json:"wall"`
	} `json:"at"`
	Enclosure string `json:"enclosure"`
	By        string `json:"by"`
	Text      string `json:"text"`
}

// readNotes collects the keeper's notes of the week.
func (b diary) readNotes() {
	for doc, err := range b.rec.Docs(store.BucketNotes) {
		if err != nil {
			b.fault("the notes", err)
			continue
		}
		var n storedNote
		if err := json.Unmarshal(doc.Value, &n); err != nil {
			b.fault("the notes", err)
			continue
		}
		if !n.At.Wall.Before(b.report.From) && n.At.Wall.Before(b.report.Until) {
			b.notes[n.Enclosure] = append(b.notes[n.Enclosure], Note{n.At.Wall.In(b.loc), n.By, n.Text})
		}
	}
	for _, some := range b.notes {
		slices.SortStableFunc(some, func(x, y Note) int { return x.At.Compare(y.At) })
	}
	b.report.Notes = b.notes[""]
}
