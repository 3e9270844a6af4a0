package summary

import (
	"cmp"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/climate"
	"dewline/sensors"
)

// afterWeek is how far readings are looked at beyond the week, so that a mist
// due in its last minutes can still be seen.
const afterWeek = 20 * time.Minute

// dueSeen is how soon after a mist is due there must be a reading for it to be
// judged.
const dueSeen = 5 * time.Minute

// soakedAir is the humidity in % from which on a mist hardly shows; the rules
// use the same.
const soakedAir = 93

// estimate goes through the readings of a fortnight once and lets the
// estimators find what sums cannot tell: mist pulses, dry-downs, night drops
// and heat dose. The week before warms them up and is what is compared with.
func (b *builder) estimate(out *Enclosure, e configs.Enclosure, sp configs.Species, j judged) {
	mistProbe := b.mainProbe(j.hum, func(p configs.Probe) bool { return p.Place != configs.Water })
	tempProbe := b.mainProbe(j.temp, func(configs.Probe) bool { return true })
	for _, p := range j.all {
		run := b.newRun(e, sp)
		run.mists = p.ID == mistProbe
		run.nights = p.ID == tempProbe
		run.heat = p.Place != configs.Water || len(j.all) == 1 || e.Stage == configs.Tadpole
		seen := b.walk(p, out, run)
		if !seen {
			continue
		}
		if run.mists {
			out.Mist, out.Before.Mist = run.mist[1], run.mist[0]
			out.DryDown, out.Before.DryDown = run.dryDown(1), run.dryDown(0)
			out.pulses, out.missed = run.pulses, run.missed
		}
		if run.nights {
			out.Nights = run.night
			out.Drop, out.Before.Drop = medianDrop(run.night), medianDrop(run.nightBefore)
		}
		if run.heat {
			out.Exposure = hotter(out.Exposure, run.exposure[1])
			out.Before.Exposure = hotter(out.Before.Exposure, run.exposure[0])
		}
	}
	// What was due is due, whether or not anything was there to see it.
	if m, ok := b.cfg.MistOf(e); ok {
		out.Mist.Due = countDue(m, out.since, b.report.Until, b.loc)
		out.Before.Mist.Due = countDue(m, b.prev.From(), b.prev.To(), b.loc)
	}
	out.Nights = b.allNights(out)
}

// mainProbe is the first of order that has enough to say: what covers at
// least four fifths of the best.
func (b *builder) mainProbe(order []configs.Probe, fits func(configs.Probe) bool) string {
	best := time.Duration(0)
	for _, p := range order {
		if fits(p) {
			best = max(best, b.covered[sensors.ProbeID(p.ID)])
		}
	}
	for _, p := range order {
		if fits(p) && 5*b.covered[sensors.ProbeID(p.ID)] >= 4*best {
			return p.ID
		}
	}
	return ""
}

// A run is one probe's readings going through the estimators.
type run struct {
	b                   *builder
	mists, nights, heat bool

	start     time.Time // running time counts from here
	lamps     configs.Lamps
	hasLamps  bool
	lampsOn   bool
	lampsTo   time.Time // lampsOn holds until then
	sched     configs.Mist
	hasMist   bool
	due       time.Time
	limits    climate.DoseLimits
	detector  climate.MistDetector
	watch     climate.MistWatch
	drying    climate.DryDown
	nightOf   climate.Night
	dose      climate.Dose
	lastHours float64
	lastGap   time.Duration

	// Index 0 is the week before, 1 the week.
	mist        [2]Mist
	halves      [2][]float64 // minutes
	exposure    [2]Exposure
	night       []Night
	nightBefore []Night
	pulses      []time.Time
	missed      []time.Time
}

func (b *builder) newRun(e configs.Enclosure, sp configs.Species) *run {
	r := &run{b: b, start: b.prev.From(), limits: climate.DoseLimits{
		Boundary: float64(sp.Boundary), ReferenceTemp: float64(sp.ReferenceTemp),
		ReferenceTime: sp.ReferenceTime.D(), TenfoldPer: float64(sp.TenfoldPer),
	}}
	r.lamps, r.hasLamps = b.cfg.LampsOf(e)
	r.sched, r.hasMist = b.cfg.MistOf(e)
	if r.hasMist {
		r.due = r.sched.Next(r.start.Add(-time.Second), b.loc)
	}
	return r
}

// walk feeds the probe's readings to r and counts their quality. It reports
// whether there were any.
func (b *builder) walk(p configs.Probe, out *Enclosure, r *run) bool {
	any := false
	count := out.probe(p.ID)
	for rd, err := range b.rec.Readings(b.ctx, sensors.ProbeID(p.ID), b.prev.From(), b.report.Until.Add(afterWeek)) {
		if err != nil {
			b.fault("the readings of probe "+p.ID, err)
			continue
		}
		any = true
		count.see(&rd, b.report)
		if rd.Quality != sensors.Bad {
			r.reading(&rd)
		}
	}
	return any
}

// which says which week a moment belongs to: 0 the one before, 1 this one, -1
// neither.
func (r *run) which(at time.Time) int {
	switch {
	case at.Before(r.b.prev.From()), !at.Before(r.b.report.Until):
		return -1
	case at.Before(r.b.report.From):
		return 0
	}
	return 1
}

// reading feeds one reading to every estimator.
func (r *run) reading(rd *sensors.Reading) {
	at := rd.At.Wall.Sub(r.start)
	week := r.which(rd.At.Wall)
	if rd.Has&sensors.HasTemperature == 0 {
		return
	}
	t := rd.Temperature.Celsius()
	if r.heat {
		r.warm(week, at, t)
	}
	if r.nights && r.hasLamps {
		if r.nightOf.Observe(at, t, r.on(rd.At.Wall)) {
			r.endNight(rd.At.Wall)
		}
	}
	if r.mists && rd.Quality == sensors.Good && rd.Has&sensors.HasHumidity != 0 {
		r.wet(at, t, rd.Humidity.Percent())
	}
}

// warm adds heat dose.
func (r *run) warm(week int, at time.Duration, t float64) {
	r.dose.Observe(r.limits, at, t)
	hours, gap := max(r.dose.DegreeHours-r.lastHours, 0), max(r.dose.Unknown-r.lastGap, 0)
	r.lastHours, r.lastGap = r.dose.DegreeHours, r.dose.Unknown
	if week < 0 {
		return
	}
	x := &r.exposure[week]
	if !x.Known {
		x.Known, x.Carried = true, r.dose.Fraction(r.limits)
	}
	if hours > 0 {
		x.Peak = max(x.Peak, r.dose.Fraction(r.limits))
		x.DegreeHours += hours
	}
	x.Unseen += gap.Minutes()
}

func hotter(a, b Exposure) Exposure {
	return Exposure{
		Known: a.Known || b.Known, Peak: max(a.Peak, b.Peak), Carried: max(a.Carried, b.Carried),
		DegreeHours: max(a.DegreeHours, b.DegreeHours), Unseen: max(a.Unseen, b.Unseen),
	}
}

// on is the lamp schedule, looked up only where it changes.
func (r *run) on(at time.Time) bool {
	if r.lampsTo.IsZero() || !at.Before(r.lampsTo) {
		r.lampsOn, r.lampsTo = r.lamps.IsOn(at, r.b.loc), r.lamps.NextChange(at, r.b.loc)
	}
	return r.lampsOn
}

// endNight keeps the night that ended at a switch of the lamps.
func (r *run) endNight(at time.Time) {
	report, _ := r.nightOf.Report()
	n := Night{Morning: at.In(r.b.loc)}
	if report.Complete {
		n.Drop = ptr(report.Drop)
	}
	switch r.which(at) {
	case 0:
		r.nightBefore = append(r.nightBefore, n)
	case 1:
		r.night = append(r.night, n)
	}
}

// wet looks for mist pulses and judges those that were due.
func (r *run) wet(at time.Duration, t, rh float64) {
	r.expect(at)
	switch r.detector.Observe(at, t, rh) {
	case climate.MistStarted:
		if p, ok := r.detector.Current(); ok && r.which(r.start.Add(p.Start)) == 1 {
			r.pulses = append(r.pulses, r.start.Add(p.Start))
		}
	case climate.MistEnded:
		if p, ok := r.detector.Last(); ok && p.HalfLife > 0 {
			r.drying.Add(p.Start, p.HalfLife)
			if w := r.which(r.start.Add(p.Start)); w >= 0 {
				r.halves[w] = append(r.halves[w], p.HalfLife.Minutes())
			}
		}
	}
	verdict, due := r.watch.Verdict(at, &r.detector)
	r.judge(verdict, r.start.Add(due), rh)
}

// expect notes what fell due until at; what did so in a gap cannot be judged.
func (r *run) expect(at time.Duration) {
	for r.hasMist && !r.due.IsZero() && r.due.Sub(r.start) <= at {
		if due := r.due.Sub(r.start); at-due < dueSeen {
			r.watch.Expect(due)
		}
		r.due = r.sched.Next(r.due, r.b.loc)
	}
}

// judge counts a verdict on the mist due at a moment.
func (r *run) judge(v climate.MistVerdict, due time.Time, rh float64) {
	week := r.which(due)
	if v == climate.MistPending || week < 0 {
		return
	}
	m := &r.mist[week]
	switch {
	case v == climate.MistSeen:
		m.Seen++
	case v == climate.MistWeak:
		m.Weak++
	case v == climate.MistMissed && rh < soakedAir:
		m.Missed++
		if week == 1 {
			r.missed = append(r.missed, due)
		}
	}
}

// dryDown sums up the dry-downs of a week.
func (r *run) dryDown(week int) DryDown {
	d := DryDown{Pulses: len(r.halves[week])}
	if m, ok := median(r.halves[week]); ok {
		d.HalfLife = &m
	}
	if _, _, _, ok := r.drying.Trend(); !ok || week == 0 || d.Pulses == 0 {
		return d
	}
	switch r.drying.Hint() {
	case climate.DrySlower:
		d.Trend = "slower"
	case climate.DryFaster:
		d.Trend = "faster"
	default:
		d.Trend = "as usual"
	}
	return d
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
func (b *builder) allNights(out *Enclosure) []Night {
	if !out.Limits.Lamps {
		return []Night{}
	}
	var all []Night
	for day := range 7 {
		from, to := b.week.Day(day), b.week.Day(day+1)
		if !from.Before(b.report.Until) {
			break
		}
		if to.Before(out.since) {
			continue
		}
		n := Night{Morning: from}
		for _, have := range out.Nights {
			if !have.Morning.Before(from) && have.Morning.Before(to) {
				n = have
			}
		}
		all = append(all, n)
	}
	return all
}

func medianDrop(nights []Night) *float64 {
	var xs []float64
	for _, n := range nights {
		if n.Drop != nil {
			xs = append(xs, *n.Drop)
		}
	}
	if m, ok := median(xs); ok {
		return &m
	}
	return nil
}

// median returns the middle of xs, false for none.
func median(xs []float64) (float64, bool) {
	if len(xs) == 0 {
		return 0, false
	}
	s := slices.SortedFunc(slices.Values(xs), cmp.Compare[float64])
	return (s[(len(s)-1)/2] + s[len(s)/2]) / 2, true
}
