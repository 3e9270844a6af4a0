package summary

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/alert/chart"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// pictureBins is how many points a line of the week's picture has: one for
// two hours. Least and greatest are kept within each.
const pictureBins = 84

func (b *builder) enclosure(e configs.Enclosure) Enclosure {
	sp := b.cfg.SpeciesOn(e, b.report.Until.Add(-time.Second))
	lamps, hasLamps := b.cfg.LampsOf(e)
	_, hasMist := b.cfg.MistOf(e)
	probes, all := b.probes(b.cfg.ProbesOf(e.ID))
	out := Enclosure{
		ID: e.ID, Name: words.OneLine(cmp.Or(e.Name, e.ID)), Rack: e.Rack, Shelf: e.Shelf, Slot: e.Slot,
		Species: cmp.Or(sp.Name, e.Species), Stage: string(e.Stage),
		Limits: Limits{
			DayLow: float64(sp.Day.Low), DayHigh: float64(sp.Day.High),
			NightLow: float64(sp.Night.Low), NightHigh: float64(sp.Night.High),
			Floor: float64(sp.Floor), Lethal: float64(sp.Lethal), DropMin: float64(sp.DropMin),
			Lamps: hasLamps, Mist: hasMist,
		},
		Probes: probes, Notes: b.notes[e.ID],
	}
	on := func(at time.Time) bool { return !hasLamps || lamps.IsOn(at, b.loc) }
	out.Before = all.figures(b.prev.From(), b.prev.To(), on)
	out.Figures = all.figures(b.report.From, b.report.Until, on)
	out.since = b.report.From
	if week := all.between(b.report.From, b.report.Until); len(week) > 0 && out.Before.Covered == 0 {
		out.since, out.young = week[0].start.In(b.loc), true
	}
	out.Missing = max(b.report.Until.Sub(out.since).Minutes()-out.Covered, 0)
	b.tell(&out, e)
	b.excursions(&out)
	out.picture = b.draw(e, all, &out)
	return out
}

func (b *builder) probes(list []configs.Probe) (out []Probe, all slots) {
	all = b.sums(list)
	for _, s := range all.between(b.report.From, b.report.Until) {
		b.alive[s.start.Unix()] = max(b.alive[s.start.Unix()], s.covered)
	}
	for _, p := range list {
		out = append(out, b.probe(p))
	}
	return out, all
}

// probe counts the readings of a probe in the week by what they are worth.
func (b *builder) probe(p configs.Probe) Probe {
	out := Probe{ID: p.ID, Place: string(p.Place), Reasons: map[string]uint64{}}
	readings := b.rec.Readings(b.ctx, sensors.ProbeID(p.ID), b.report.From, b.report.Until)
	for rd := range store.Good(readings, b.fault("the readings of probe "+p.ID)) {
		out.Readings++
		switch rd.Quality {
		case sensors.Good:
			out.Good++
			continue
		case sensors.Suspect:
			out.Suspect++
		default:
			out.Bad++
		}
		out.Reasons[rd.Reason.String()]++
	}
	return out
}

// sums reads the ten-minute sums of both weeks and joins the probes: in each
// ten minutes the first that delivered is judged, over the litter before the
// canopy, and the hottest of any is kept, as heat is judged on it. The floor is judged by the named one.
func (b *builder) sums(probes []configs.Probe) slots {
	all := map[int64]*slot{}
	rank := map[configs.Place]int{configs.Canopy: 1, configs.Water: 2}
	for _, p := range slices.SortedStableFunc(slices.Values(probes), func(a, b configs.Probe) int { return rank[a.Place] - rank[b.Place] }) {
		sums := b.rec.Rollups(b.ctx, sensors.ProbeID(p.ID), store.TenMinutes, b.prev.From(), b.report.Until)
		for r := range store.Good(sums, b.fault("the history of probe "+p.ID)) {
			s := all[r.Start.Unix()]
			if s == nil {
				s = &slot{start: time.Unix(r.Start.Unix(), 0)}
				all[r.Start.Unix()] = s
			}
			s.covered = max(s.covered, coverage(&r))
			if !r.Start.Before(b.report.From) {
				b.covered[sensors.ProbeID(p.ID)] += coverage(&r)
			}
			s.take(&r, &p)
		}
	}
	return slices.SortedFunc(maps.Values(all), func(a, b *slot) int { return a.start.Compare(b.start) })
}

// take joins what one more probe says.
func (s *slot) take(r *store.Rollup, p *configs.Probe) {
	if r.Has&sensors.HasTemperature != 0 {
		if s.temp == nil || r.Temperature.Max > s.hottest {
			s.hottest = r.Temperature.Max
		}
		if s.temp == nil {
			s.temp, s.inBand = new(r.Temperature), r.InBand
		}
		s.above = max(s.above, r.AboveCeil)
	}
	if r.Has&sensors.HasHumidity != 0 && (s.hum == nil || p.FloorProbe && !s.atFloor) {
		s.hum, s.below, s.atFloor = new(r.Humidity), r.BelowFloor, p.FloorProbe
	}
}

// begins returns when the journal begins, where that is after the week.
func (b *builder) begins() time.Time {
	for e, err := range b.rec.Journal(time.Time{}, time.Time{}) {
		if err != nil || e.At.Wall.Before(b.report.To) {
			break
		}
		return e.At.Wall.In(b.loc)
	}
	return time.Time{}
}

// blind counts the time in which nothing in the room was measured, from the
// first reading where there was none in the week before.
func (b *builder) blind() {
	r := b.report
	if len(b.alive) == 0 {
		r.NoData, r.Begins = true, b.begins()
		r.Blind = r.Until.Sub(r.From).Minutes()
		return
	}
	from := time.Unix(slices.Min(slices.Collect(maps.Keys(b.alive))), 0)
	if slices.ContainsFunc(r.Enclosures, func(e Enclosure) bool { return e.Before.Covered > 0 }) {
		from = r.From
	}
	seen := time.Duration(0)
	for _, d := range b.alive {
		seen += d
	}
	r.Blind = max(r.Until.Sub(from)-seen, 0).Round(time.Second).Minutes()
}

func (b *builder) draw(e configs.Enclosure, all slots, out *Enclosure) chart.Chart {
	c := chart.Climate(b.cfg, e, b.report.From, b.report.To)
	temp := chart.NewGather(b.report.From, b.report.To, pictureBins, 2*slotSpan)
	hum := chart.NewGather(b.report.From, b.report.To, pictureBins, 2*slotSpan)
	for _, s := range all.between(b.report.From, b.report.Until) {
		end := s.start.Add(slotSpan)
		if s.temp != nil {
			temp.AddSpread(s.start, end, float64(s.temp.Min)/100, float64(s.temp.Mean)/100, float64(s.hottest)/100, 1)
		}
		if s.hum != nil {
			hum.AddSpread(s.start, end, float64(s.hum.Min)/100, float64(s.hum.Mean)/100, float64(s.hum.Max)/100, 1)
		}
	}
	c.Panels[0].Series = []chart.Series{{Points: temp.Points()}}
	c.Panels[1].Series = []chart.Series{{Points: hum.Points()}}
	if len(c.Panels[1].Series[0].Points) == 0 {
		c.Panels = c.Panels[:1]
	}
	c.Marks = append(c.Marks, b.marks(out)...)
	return c
}

// coverage is the time that a sum's readings stand for. It may be a little more
// than the sum's ten minutes where a reading came early, and the next sum's is
// less then; a clock that was set back must not count a time twice.
func coverage(r *store.Rollup) time.Duration { return min(r.Covered, 2*slotSpan) }

// figures are what the sums alone tell of [from, to).
func (all slots) figures(from, to time.Time, lampsOn func(time.Time) bool) Figures {
	var f Figures
	var covered, tempered, inBand, below, above time.Duration
	var day, night struct{ temp, hum weighed } // lamps on and off
	hasHum := false
	for _, s := range all.between(from, to) {
		covered += s.covered
		m := &night
		if lampsOn(s.start.Add(slotSpan / 2)) {
			m = &day
		}
		if s.temp != nil {
			m.temp.add(store.Spread{Min: s.temp.Min, Mean: s.temp.Mean, Max: s.hottest}, s.covered)
			tempered += s.covered
			inBand += s.inBand
			above += s.above
		}
		if s.hum != nil {
			m.hum.add(*s.hum, s.covered)
			hasHum = true
			below += s.below
		}
	}
	f.Covered = min(covered, to.Sub(from)).Minutes()
	f.Day, f.Night = Climate{day.temp.spread(), day.hum.spread()}, Climate{night.temp.spread(), night.hum.spread()}
	if tempered > 0 {
		f.InBand = new(min(inBand.Seconds()/tempered.Seconds(), 1))
		f.AboveMin = new(above.Minutes())
	}
	if hasHum {
		f.BelowMin = new(below.Minutes())
	}
	return f
}

type weighed struct {
	min, max, sum, weight float64
}

func (w *weighed) add(s store.Spread, covered time.Duration) {
	weight := max(covered.Seconds(), 1)
	if w.weight == 0 {
		w.min, w.max = math.Inf(1), math.Inf(-1)
	}
	w.min, w.max = min(w.min, float64(s.Min)/100), max(w.max, float64(s.Max)/100)
	w.sum += weight * float64(s.Mean) / 100
	w.weight += weight
}

func (w *weighed) spread() *Spread {
	if w.weight == 0 {
		return nil
	}
	return &Spread{Min: w.min, Mean: w.sum / w.weight, Max: w.max}
}

func (b *builder) roomProbes() {
	elsewhere := slices.DeleteFunc(slices.Clone(b.cfg.Probes), func(p configs.Probe) bool { return p.Enclosure != "" })
	b.report.Probes, _ = b.probes(elsewhere)
}

func (b *builder) careFor() {
	unread := b.fault("some calibrations")
	kept := store.Good(store.Decode[sensors.Correction](b.rec.Docs(store.BucketCalibration)), unread)
	set, err := sensors.NewCorrections(slices.Collect(kept))
	if err != nil {
		unread(err)
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
	at := set.Due(sensors.ProbeID(p.ID), q, every, first, b.report.Until)
	if at.After(b.report.Until.Add(dueWithin)) {
		return
	}
	b.report.Due = append(b.report.Due, Due{p.ID, enclosure, string(q), at.In(b.loc), never})
}

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
			case event.NoticeAcknowledged:
				d.Answered = true
			case event.NoticeDrillOver:
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

func (b *builder) marks(e *Enclosure) []chart.Mark {
	var out []chart.Mark
	for _, at := range e.pulses {
		out = append(out, chart.Mark{At: at, Kind: chart.Pulse})
	}
	for _, at := range e.missed {
		out = append(out, chart.Mark{At: at, Kind: chart.MissedPulse})
	}
	for _, x := range slices.Concat(e.Excursions, e.Others) {
		if x.To.IsZero() {
			x.To = b.report.Until
		}
		switch x.Priority {
		case alarm.Wake:
			out = append(out, chart.Mark{At: x.From, Until: x.To, Kind: chart.Wake})
		case alarm.Today:
			out = append(out, chart.Mark{At: x.From, Until: x.To, Kind: chart.Today})
		}
	}
	for _, n := range e.Notes {
		out = append(out, chart.Mark{At: n.At, Kind: chart.Note})
	}
	return out
}
