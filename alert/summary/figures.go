package summary

import (
	"cmp"
	"slices"
	"time"

	"dewline/alert/chart"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/sensors"
	"dewline/store"
)

// slotSpan is the length of one sum of the record that figures are made of.
const slotSpan = 10 * time.Minute

// pictureBins is how many points a line of the week's picture has: one for
// two hours. Least and greatest are kept within each.
const pictureBins = 84

// enclosure works out one enclosure's week and the week before.
func (b measurer) enclosure(e configs.Enclosure) Enclosure {
	sp := b.cfg.SpeciesOn(e, b.report.Until.Add(-time.Second))
	lamps, hasLamps := b.cfg.LampsOf(e)
	_, hasMist := b.cfg.MistOf(e)
	out := Enclosure{
		ID: e.ID, Name: clean(cmp.Or(e.Name, e.ID)), Rack: e.Rack, Shelf: e.Shelf, Slot: e.Slot,
		Species: cmp.Or(sp.Name, e.Species), Stage: string(e.Stage),
		Limits: Limits{
			DayLow: float64(sp.Day.Low), DayHigh: float64(sp.Day.High),
			NightLow: float64(sp.Night.Low), NightHigh: float64(sp.Night.High),
			Floor: float64(sp.Floor), Lethal: float64(sp.Lethal), DropMin: float64(sp.DropMin),
			Lamps: hasLamps, Mist: hasMist,
		},
		Nights: []Night{}, Excursions: []Excursion{}, Others: []Excursion{}, Probes: []Probe{}, Notes: b.notes[e.ID],
	}
	probes := b.cfg.ProbesOf(e.ID)
	all := b.sums(probes)
	for _, p := range probes {
		out.Probes = append(out.Probes, newProbe(p))
	}
	on := func(at time.Time) bool { return !hasLamps || lamps.IsOn(at, b.loc) }
	out.Before = all.figures(b.prev.From(), b.prev.To(), on)
	out.Figures = all.figures(b.report.From, b.report.Until, on)
	out.since = b.report.From
	if first, ok := all.first(b.report.From, b.report.Until); ok && out.Before.Covered == 0 {
		out.since, out.young = first.In(b.loc), true
	}
	out.Missing = max(b.report.Until.Sub(out.since).Minutes()-out.Covered, 0)
	for _, s := range all.between(b.report.From, b.report.Until) {
		b.live(s.start, s.covered)
	}
	for i := range out.Probes {
		b.count(&out.Probes[i])
	}
	d := diary(b)
	d.tell(&out, e)
	d.excursions(&out, all)
	out.picture = b.draw(e, all, &out)
	return out
}

// believed orders the probes of an enclosure as they are judged: the band over the
// litter. The floor is judged by the named one.
func believed(all []configs.Probe) []configs.Probe {
	rank := map[configs.Place]int{configs.Litter: 0, configs.Canopy: 1, configs.Water: 2}
	return slices.SortedStableFunc(slices.Values(all), func(a, b configs.Probe) int { return rank[a.Place] - rank[b.Place] })
}

// sums reads the ten-minute sums of both weeks and joins the probes: in each
// ten minutes the first that delivered is judged, and the hottest is kept.
func (b measurer) sums(probes []configs.Probe) slots {
	all := slots{}
	hasAir := slices.ContainsFunc(probes, func(p configs.Probe) bool { return p.Place != configs.Water })
	for _, p := range believed(probes) {
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
			if r.Has&sensors.HasTemperature != 0 {
				s.heat(&r, p.Place != configs.Water || !hasAir)
				if s.temp == nil {
					s.temp, s.inBand = ptr(r.Temperature), r.InBand
				}
				s.above = max(s.above, r.AboveCeil)
			}
			if r.Has&sensors.HasHumidity != 0 && (s.hum == nil || p.FloorProbe && !s.atFloor) {
				s.hum, s.below, s.atFloor = ptr(r.Humidity), r.BelowFloor, p.FloorProbe
			}
		}
	}
	return all
}

// live notes that something was measured in a slot.
func (b measurer) live(at time.Time, covered time.Duration) {
	b.alive[at.Unix()] = max(b.alive[at.Unix()], covered)
}

// begins returns when the journal begins, where that is after the week.
func (b measurer) begins() time.Time {
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
func (b measurer) blind() {
	r := b.report
	if len(b.alive) == 0 {
		r.NoData, r.Begins = true, b.begins()
		r.Blind = r.Until.Sub(r.From).Minutes()
		return
	}
	from, before := r.Until, false
	seen := time.Duration(0)
	for at, d := range b.alive {
		seen += d
		if t := time.Unix(at, 0); t.Before(from) {
			from = t
		}
	}
	for i := range r.Enclosures {
		before = before || r.Enclosures[i].Before.Covered > 0
	}
	if before {
		from = r.From
	}
	r.Blind = max(r.Until.Sub(from)-seen, 0).Round(time.Second).Minutes()
}

// draw makes the picture of the week, in °C.
func (b measurer) draw(e configs.Enclosure, all slots, out *Enclosure) chart.Chart {
	c := chart.Climate(b.cfg, e, b.report.From, b.report.To)
	c.Description = inUnits(pictureWords(out), unit.Celsius)
	temp := chart.NewGather(b.report.From, b.report.To, pictureBins, 2*slotSpan)
	hum := chart.NewGather(b.report.From, b.report.To, pictureBins, 2*slotSpan)
	hasHum := false
	for _, s := range all.between(b.report.From, b.report.Until) {
		end := s.start.Add(slotSpan)
		if s.temp != nil {
			temp.AddSpread(s.start, end, float64(s.temp.Min)/100, float64(s.temp.Mean)/100, float64(s.high())/100, 1)
		}
		if s.hum != nil {
			hasHum = true
			hum.AddSpread(s.start, end, float64(s.hum.Min)/100, float64(s.hum.Mean)/100, float64(s.hum.Max)/100, 1)
		}
	}
	c.Panels[0].Series = []chart.Series{{Points: temp.Points()}}
	c.Panels[1].Series = []chart.Series{{Points: hum.Points()}}
	if !hasHum {
		c.Panels = c.Panels[:1]
	}
	c.Marks = append(c.Marks, b.marks(out)...)
	return c
}
