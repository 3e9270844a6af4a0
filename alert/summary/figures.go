package summary

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"dewline/alert/chart"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// slotSpan is the length of one sum of the record that figures are made of.
const slotSpan = 10 * time.Minute

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
	b.excursions(&out, all)
	out.picture = b.draw(e, all, &out)
	return out
}

// probes takes probes together and each by itself.
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
	for rd, err := range b.rec.Readings(b.ctx, sensors.ProbeID(p.ID), b.report.From, b.report.Until) {
		if err != nil {
			b.fault("the readings of probe "+p.ID, err)
			continue
		}
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
	all := slots{}
	rank := map[configs.Place]int{configs.Canopy: 1, configs.Water: 2}
	for _, p := range slices.SortedStableFunc(slices.Values(probes), func(a, b configs.Probe) int { return rank[a.Place] - rank[b.Place] }) {
		for r, err := range b.rec.Rollups(b.ctx, sensors.ProbeID(p.ID), store.TenMinutes, b.prev.From(), b.report.Until) {
			if err != nil {
				b.fault("the history of probe "+p.ID, err)
				continue
			}
			s := all[r.Start.Unix()]
			if s == nil {
				s = &slot{}
				all[r.Start.Unix()] = s
			}
			s.covered = max(s.covered, coverage(&r))
			if !r.Start.Before(b.report.From) {
				b.covered[sensors.ProbeID(p.ID)] += coverage(&r)
			}
			s.take(&r, &p)
		}
	}
	return all
}

// take joins what one more probe says.
func (s *slot) take(r *store.Rollup, p *configs.Probe) {
	if r.Has&sensors.HasTemperature != 0 {
		if s.temp == nil || r.Temperature.Max > s.hottest {
			s.hottest = r.Temperature.Max
		}
		if s.temp == nil {
			s.temp, s.inBand = ptr(r.Temperature), r.InBand
		}
		s.above = max(s.above, r.AboveCeil)
	}
	if r.Has&sensors.HasHumidity != 0 && (s.hum == nil || p.FloorProbe && !s.atFloor) {
		s.hum, s.below, s.atFloor = ptr(r.Humidity), r.BelowFloor, p.FloorProbe
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
