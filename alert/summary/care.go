package summary

import (
	"slices"
	"strings"
	"time"

	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// dueWithin is how far ahead calibrations and drills are announced.
const dueWithin = 14 * 24 * time.Hour

// roomProbes accounts for the probes that hang in no enclosure.
func (b *builder) roomProbes() {
	elsewhere := slices.DeleteFunc(slices.Clone(b.cfg.Probes), func(p configs.Probe) bool { return p.Enclosure != "" })
	b.report.Probes, _ = b.probes(elsewhere)
}

func (b *builder) careFor() {
	set, err := sensors.NewCorrections(b.corrections())
	if err != nil {
		b.fault("some calibrations", err)
	}
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		for k := range e.Probes {
			b.finish(&e.Probes[k], set, e.ID)
		}
	}
	for i := range b.report.Probes {
		b.finish(&b.report.Probes[i], set, "")
	}
	slices.SortStableFunc(b.report.Due, func(x, y Due) int { return x.At.Compare(y.At) })
	b.drill()
}

func (b *builder) corrections() (out []sensors.Correction) {
	for c, err := range store.Decode[sensors.Correction](b.rec.Docs(store.BucketCalibration)) {
		if err != nil {
			b.fault("some calibrations", err)
			continue
		}
		out = append(out, c)
	}
	return out
}

// finish adds what is known of a probe beside its readings.
func (b *builder) finish(p *Probe, set *sensors.Corrections, enclosure string) {
	id := sensors.ProbeID(p.ID)
	covered := b.covered[id]
	first, hasHum := b.firstSeen(id)
	p.Missing = max(b.report.Until.Sub(later(b.report.From, first))-covered, 0).Round(time.Second).Minutes()
	p.NoRaw = p.Readings == 0 && covered > 0
	applied := set.At(id, b.report.Until)
	for _, c := range []*sensors.Correction{applied.Humidity, applied.Temperature} {
		if c != nil && c.From.After(p.Calibrated) {
			p.Calibrated = c.From.In(b.loc)
		}
	}
	if first.IsZero() {
		return
	}
	if hasHum {
		b.dueFor(p, set, enclosure, sensors.Humidity, b.cfg.Rules.HumidityDue.D(), first, applied.Humidity == nil)
	}
	b.dueFor(p, set, enclosure, sensors.Temperature, b.cfg.Rules.TemperatureDue.D(), first, applied.Temperature == nil)
}

// firstSeen finds the first hour on record of a probe, and whether it measured
// humidity then.
func (b *builder) firstSeen(id sensors.ProbeID) (time.Time, bool) {
	for r, err := range b.rec.Rollups(b.ctx, id, store.Hour, time.Unix(0, 0), b.report.Until) {
		if err != nil {
			continue // told of where the week is read
		}
		return r.Start, r.Has&sensors.HasHumidity != 0
	}
	return time.Time{}, false
}

func (b *builder) dueFor(p *Probe, set *sensors.Corrections, enclosure string, q sensors.Quantity, every time.Duration, first time.Time, never bool) {
	if every <= 0 {
		return
	}
	at, _ := set.Overdue(sensors.ProbeID(p.ID), q, every, first, b.report.Until)
	if at.After(b.report.Until.Add(dueWithin)) {
		return
	}
	b.report.Due = append(b.report.Due, Due{p.ID, enclosure, string(q), at.In(b.loc), never})
}

// drill finds the last test notice and when the next one is due.
func (b *builder) drill() {
	d := &b.report.Drill
	var id string
	for _, e := range b.events {
		switch body := e.Body.(type) {
		case event.Drill:
			*d, id = Drill{Last: e.At.Wall.In(b.loc)}, body.Notice
		case event.Notice:
			if body.Notice != id || id == "" {
				continue
			}
			switch body.What {
			case "acknowledged":
				d.Answered = true
			case "drill-over":
				d.Result = strings.TrimSpace(e.Text)
			}
		}
	}
	every := b.cfg.Drill.Every.D()
	switch {
	case every <= 0:
	case !d.Last.IsZero():
		d.Due = d.Last.Add(every)
	case !b.began.IsZero():
		d.Due = b.began.In(b.loc).Add(every)
	}
}

// tellMissing says in words what the report cannot know.
func (b *builder) tellMissing() {
	r := b.report
	if !r.compared() && !r.NoData {
		b.unknown("Changes cannot be told: there is less than a day on record of this week or the one before.")
	}
	if r.Until.Before(r.To) {
		b.unknown("The week is not over: it is told up to %s.", r.Until.Format("Monday 15:04"))
	}
	var noRaw []string
	for i := range r.Enclosures {
		for _, p := range r.Enclosures[i].Probes {
			if p.NoRaw {
				noRaw = append(noRaw, p.ID)
			}
		}
	}
	if len(noRaw) > 0 {
		b.unknown("Trust is not known for %s: only sums are left of so long ago.", list(noRaw, 4))
	}
	if !r.NoData && b.typed.After(r.From) && b.typed.After(b.began) {
		b.unknown("Mist pulses, dry-downs, night drops and exposure are recorded since %s.", b.typed.In(b.loc).Format("Monday 2 January 2006 15:04"))
	}
	if h := r.To.Sub(r.From).Hours(); h != 168 {
		b.unknown("The clocks were changed: the week had %.0f hours.", h)
	}
}
