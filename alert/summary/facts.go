package summary

import (
	"cmp"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/event"
)

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

// mist counts the verdicts on what was due.
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
	return ptr((s[(len(s)-1)/2] + s[len(s)/2]) / 2)
}
