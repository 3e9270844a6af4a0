package page

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/sensors"
)

// past fills in what comes from the record.
func (s *site) past(ctx context.Context, p *enclosurePage, snap *alert.Snapshot, cfg *configs.Config, e configs.Enclosure, v *rules.EnclosureView, u units) error {
	now := snap.At.Wall
	notes, errs := s.notes(e.ID, now.AddDate(0, 0, -60), now.AddDate(0, 0, 1))
	for _, n := range slices.Backward(notes) {
		p.Notes = append(p.Notes, noteRow{s.when(n.At, now), n.By, n.Text})
	}
	rec := s.o.Record()
	if rec == nil {
		return errors.Join(errs, errNoRecord)
	}
	probes := cfg.ProbesOf(e.ID)
	if probe, ok := lead(probes, configs.Probe.MeasuresHumidity); ok {
		sched, _ := cfg.MistOf(e)
		found, err := mists(ctx, rec, probe, sched, cfg.Room.Location, now.Add(-48*time.Hour), now)
		errs = errors.Join(errs, err)
		for _, m := range slices.Backward(found) {
			p.Mists = append(p.Mists, s.mistRow(m, now))
		}
		p.MistNote = mistNote(sched)
	}
	lamps, ok := cfg.LampsOf(e)
	probe, measures := lead(probes, configs.Probe.MeasuresTemperature)
	if ok && measures {
		sp := cfg.SpeciesFor(e)
		found, err := nights(ctx, rec, probe, lamps, cfg.Room.Location, now.AddDate(0, 0, -8), now)
		errs = errors.Join(errs, err)
		for _, n := range slices.Backward(found) {
			p.Nights = append(p.Nights, s.nightRow(n, float64(sp.DropMin), u))
		}
		p.NightNote = fmt.Sprintf("Lamps %s; target drop %s to %s.", lamps.On, u.delta(float64(sp.DropMin)), u.delta(float64(sp.DropMax)))
	}
	return errs
}

func mistNote(m configs.Mist) string {
	if len(m.Times) == 0 {
		return ""
	}
	text := "Due at "
	for i, t := range m.Times {
		if i > 0 {
			text += ", "
		}
		text += t.String()
	}
	return text + "."
}

func (s *site) mistRow(m mist, now time.Time) mistRow {
	row := mistRow{When: s.when(m.at, now), Missed: m.missed}
	if m.missed {
		return row
	}
	row.From = fmt.Sprintf("%s → %s %%", unit.Number(m.pulse.Before, 0), unit.Number(m.pulse.Peak, 0))
	row.Wet = words.Span(m.pulse.Wet)
	switch {
	case m.pulse.HalfLife > 0:
		row.HalfLife = words.Span(m.pulse.HalfLife)
	case m.open:
		row.HalfLife = "drying"
	default:
		row.HalfLife = "–"
	}
	return row
}

func (s *site) nightRow(n night, least float64, u units) nightRow {
	r := n.report
	row := nightRow{
		When:  s.local(n.ended).Format("Mon 2 Jan"),
		Day:   u.short(r.DayMin) + "–" + u.short(r.DayMax),
		Night: u.short(r.NightMin) + "–" + u.short(r.NightMax), Drop: "too few readings",
	}
	if r.Complete {
		row.Drop, row.Short = u.delta(r.Drop), r.Drop < least
	}
	return row
}

func doubtMark(reason string) string {
	if reason == "" {
		return ""
	}
	return " (" + doubtWords(reason) + ")"
}

func (s *site) probeRow(p *rules.ProbeView, now time.Time, u units) probeRow {
	row := probeRow{ID: p.ID, Place: p.Place, Trust: p.Quality, Age: words.Span(p.HeardAge) + " ago", Bad: !p.Fresh}
	if p.Reason != "" && p.Quality != sensors.Good.String() {
		row.Trust += ": " + p.Reason
		row.Bad = true
	}
	if p.Frozen {
		row.Trust, row.Bad = "frozen", true
	}
	if p.Good == 0 && !p.Fresh {
		row.Age = "never"
	}
	if p.HasTemperature {
		row.Value = u.temp(p.Temperature.Celsius()) + doubtMark(p.TemperatureDoubt)
	}
	if p.HasHumidity {
		row.Value += " " + unit.Number(p.Humidity.Percent(), 0) + " %" + doubtMark(p.HumidityDoubt)
	}
	if p.HasLight {
		row.Value += fmt.Sprintf(" %d lx", p.LightLux)
	}
	if p.Readings > 0 {
		row.Share = unit.Number(math.Floor(1000*float64(p.Good)/float64(p.Readings))/10, 1) + " % good"
	}
	for _, due := range []*time.Time{p.TemperatureDue, p.HumidityDue} {
		if due != nil && (row.Due == "" || overdue(due, now)) {
			row.Due = s.local(*due).Format("2 Jan 2006")
			row.DueBad = overdue(due, now)
		}
	}
	return row
}
