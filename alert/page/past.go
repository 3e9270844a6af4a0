package page

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/sensors"
)

// past returns what comes from the record, with an error as far as it could be read.
func (s closeups) past(snap *alert.Snapshot, cfg *configs.Config, e configs.Enclosure, u unit.Scale) (p onRecord, errs error) {
	now := snap.At.Wall
	notes, errs := s.o.Notebook.Notes(e.ID, now.AddDate(0, 0, -60), now.AddDate(0, 0, 1))
	for _, n := range slices.Backward(notes) {
		p.Notes = append(p.Notes, noteRow{s.when(n.Time, now), n.By, n.Text})
	}
	rec := s.o.Record()
	if rec == nil {
		return p, errors.Join(errs, errNoRecord)
	}
	mists, nights, err := logOf(rec, snap, e.ID, now.AddDate(0, 0, -8))
	errs = errors.Join(errs, err)
	sched, _ := cfg.MistOf(e)
	for _, m := range slices.Backward(mists) {
		if now.Sub(m.At()) <= 48*time.Hour {
			p.Mists = append(p.Mists, s.mistRow(m, now))
		}
	}
	p.MistNote = mistNote(sched.TimesOn(configs.YearDayOf(s.local(now))))
	if lamps, ok := cfg.LampsOf(e); ok {
		sp := cfg.SpeciesFor(e)
		for _, n := range slices.Backward(nights) {
			p.Nights = append(p.Nights, s.nightRow(n, float64(sp.DropMin), u))
		}
		p.NightNote = fmt.Sprintf("Lamps %s; target drop %s or more.", lamps.On, words.Steps(float64(sp.DropMin), u))
	}
	return p, errs
}

func mistNote(due []configs.ClockTime) string {
	if len(due) == 0 {
		return ""
	}
	var at []string
	for _, t := range due {
		at = append(at, t.String())
	}
	return "Due at " + strings.Join(at, ", ") + "."
}

const driesFor = 6 * time.Hour

func (s closeups) mistRow(m mist, now time.Time) mistRow {
	row := mistRow{When: s.when(m.At(), now), Missed: m.Verdict == event.MistMissed, From: "could not be told", Wet: "–", HalfLife: "–"}
	if row.Missed || m.Start.IsZero() {
		return row
	}
	row.From = fmt.Sprintf("%s → %s %%", unit.Number(m.Before, 0), unit.Number(m.Peak, 0))
	if m.Verdict == event.MistWeak {
		row.From += ", weak"
	}
	switch {
	case m.dry != nil:
		row.Wet = words.Span(seconds(m.dry.Wet))
		if m.dry.HalfLife > 0 {
			row.HalfLife = words.Span(seconds(m.dry.HalfLife))
		}
	case now.Sub(m.Start) < driesFor:
		row.HalfLife = "drying"
	}
	return row
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

func (s closeups) nightRow(n night, least float64, u unit.Scale) nightRow {
	row := nightRow{
		When: s.local(n.ended).Format("Mon 2 Jan"),
		Day:  words.Bare(n.DayMin, u) + "–" + words.Bare(n.DayMax, u), Night: words.Bare(n.NightMin, u) + "–" + words.Bare(n.NightMax, u), Drop: "too few readings",
	}
	if n.Drop != nil {
		row.Drop, row.Short = words.Drop(*n.Drop, least, u), *n.Drop < least
	}
	return row
}

func doubtMark(reason string) string {
	if reason == "" {
		return ""
	}
	return " (" + doubtWords(reason) + ")"
}

func (s closeups) probeRow(p *rules.ProbeView, now time.Time, u unit.Scale) probeRow {
	row := probeRow{ID: p.ID, Place: p.Place, Trust: p.Quality, Age: words.Span(p.HeardAge) + " ago", Bad: !p.Fresh}
	if p.Reason != "" && p.Quality != sensors.Good.String() {
		row.Trust += ": " + words.Reason(p.Reason)
		row.Bad = true
	}
	if p.Frozen {
		row.Trust, row.Bad = "frozen", true
	}
	if !p.Heard {
		row.Age = "never"
	}
	if p.HasTemperature {
		row.Value = words.Degrees(p.Temperature.Celsius(), u) + doubtMark(p.TemperatureDoubt)
	}
	if p.HasHumidity {
		row.Value += " " + words.Humidity(p.Humidity.Percent()) + doubtMark(p.HumidityDoubt)
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

type onRecord struct {
	Mists     []mistRow
	MistNote  string
	Nights    []nightRow
	NightNote string
	Notes     []noteRow
}

type mistRow struct {
	When, From, Wet, HalfLife string
	Missed                    bool
}

type nightRow struct {
	When, Day, Night, Drop string
	Short                  bool
}

type probeRow struct {
	ID, Place, Value, Trust, Age, Share, Due string
	Bad, DueBad                              bool
}

type noteRow struct{ When, By, Text string }
