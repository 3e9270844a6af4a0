package page

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

type enclosurePage struct {
	frame
	ID, Name, Place, Species, Limits string
	Status                           status
	Reasons                          string
	Temp, Hum                        measure
	Facts                            []fact
	Alarms                           []alarmCard
	Spans                            []spanLink
	Chart                            picture
	Mists                            []mistRow
	MistNote                         string
	Nights                           []nightRow
	NightNote                        string
	Probes                           []probeRow
	Notes                            []noteRow
	Damage                           string
	CanNote                          bool
	OutOfService                     bool
}

// A measure is a value as a person judges it.
type measure struct {
	Value, Trust, Judgement string
	Bad                     bool
}

type spanLink struct {
	Name, Link string
	Current    bool
}

// A picture is a chart by its addresses.
type picture struct{ Narrow, Wide, Alt, Before, After, Title string }

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

func (s *site) enclosure(w http.ResponseWriter, r *http.Request) {
	snap, cfg := s.o.Snapshot(), s.o.Config()
	e, ok := enclosureOf(cfg, r.PathValue("id"))
	i := slices.IndexFunc(snap.Enclosures, func(v rules.EnclosureView) bool { return v.ID == e.ID })
	if !ok || i < 0 {
		s.say(w, r, http.StatusNotFound, "There is no such enclosure.")
		return
	}
	v, u := &snap.Enclosures[i], unitsOf(cfg)
	p := enclosurePage{
		frame: s.frame(r, nameOf(v.ID, v.Name), "room"), ID: v.ID, Name: nameOf(v.ID, v.Name), Place: placeOf(v),
		Species: speciesName(cfg, v.Species) + ", " + v.Stage, Status: statusOf(v), Reasons: reasonText(v, activeAlarms(snap)[v.ID]),
		Temp: tempMeasure(v, cfg, u), Hum: humMeasure(v, cfg), Facts: facts(v, u),
		CanNote: s.o.Notebook != nil, OutOfService: v.OutOfService,
	}
	p.Live = true
	if e.Animals > 0 {
		p.Species += fmt.Sprintf(", %d animals", e.Animals)
	}
	p.Limits = limitText(cfg, e, u)
	keep := ofEnclosure(cfg, e.ID)
	for i := range snap.Alarms {
		if a := &snap.Alarms[i]; keep(a.Key) {
			c := s.alarmCard(a, snap, u)
			c.Link = "" // it is here
			p.Alarms = append(p.Alarms, c)
		}
	}
	once(p.Alarms)
	s.chartOf(r, &p, snap, cfg)
	for i := range snap.Probes {
		if snap.Probes[i].Enclosure == e.ID {
			p.Probes = append(p.Probes, s.probeRow(&snap.Probes[i], snap.At.Wall, u))
		}
	}
	p.Damage = damage(s.past(r.Context(), &p, snap, cfg, e, v, u))
	s.show(w, http.StatusOK, "enclosure", &p)
}

func limitText(cfg *configs.Config, e configs.Enclosure, u units) string {
	sp := cfg.SpeciesFor(e)
	text := fmt.Sprintf("Wanted: day %s, night %s", u.limits(float64(sp.Day.Low), float64(sp.Day.High)), u.limits(float64(sp.Night.Low), float64(sp.Night.High)))
	if sp.Floor > 0 {
		text += fmt.Sprintf(", humidity from %s %%", trim(float64(sp.Floor)))
	}
	return text + fmt.Sprintf("; lethal heat from %s. Defaults are not veterinary advice.", u.temp(float64(sp.Ceiling)))
}

// trustOf says where a value comes from and how old it is.
func trustOf(m rules.Measure, cfg *configs.Config) string {
	if !m.Ever {
		return "no reading yet"
	}
	text := m.Probe
	for _, p := range cfg.Probes {
		if p.ID == m.Probe {
			text = "probe in the " + string(p.Place)
		}
	}
	if m.Known {
		return text
	}
	return text + ", last good value " + span(m.Age) + " ago: not a present one"
}

func tempMeasure(v *rules.EnclosureView, cfg *configs.Config, u units) measure {
	m := measure{Value: "–", Trust: trustOf(v.Temperature, cfg), Bad: true, Judgement: "not known now"}
	if !v.Temperature.Known {
		return m
	}
	t := v.Temperature.Value
	m.Value = u.temp(t)
	band := u.limits(v.BandLow, v.BandHigh)
	switch {
	case v.Hottest.Value >= v.Ceiling:
		m.Judgement = "at lethal heat"
	case t > v.BandHigh:
		m.Judgement = u.delta(t-v.BandHigh) + " above the " + v.BandName + " band " + band
	case t < v.BandLow:
		m.Judgement = u.delta(v.BandLow-t) + " below the " + v.BandName + " band " + band
	default:
		m.Judgement, m.Bad = "inside the "+v.BandName+" band "+band, false
	}
	return m
}

func humMeasure(v *rules.EnclosureView, cfg *configs.Config) measure {
	m := measure{Value: "–", Trust: trustOf(v.Humidity, cfg), Bad: true, Judgement: "not known now"}
	if !v.Humidity.Known {
		return m
	}
	m.Value = number(v.Humidity.Value, 0) + " %"
	if v.Humidity.Uncertainty > 0 {
		m.Trust += fmt.Sprintf(", ± %s %%", number(v.Humidity.Uncertainty, 1))
	}
	switch {
	case v.Floor <= 0:
		m.Judgement, m.Bad = "no floor for this stage", false
	case v.Humidity.Value < v.Floor:
		m.Judgement = fmt.Sprintf("below the floor of %s %%", trim(v.Floor))
	default:
		m.Judgement, m.Bad = fmt.Sprintf("above the floor of %s %%", trim(v.Floor)), false
	}
	return m
}

// facts are the figures beside the two measures.
func facts(v *rules.EnclosureView, u units) []fact {
	var out []fact
	add := func(name, value string, bad bool) { out = append(out, fact{name, value, bad}) }
	if v.Hottest.Known {
		if headroom(v) > 0 {
			add("Below lethal heat", u.delta(headroom(v)), headroom(v) <= v.Ceiling-v.Act)
		} else {
			add("Above lethal heat", u.delta(-headroom(v)), true)
		}
		if v.Hottest.Value-v.Temperature.Value >= 0.1 {
			add("Hottest place", u.temp(v.Hottest.Value), false)
		}
	}
	if v.RatePerHour != nil {
		add("Trend", rate(*v.RatePerHour, u), false)
	}
	if v.ToCeiling != nil && headroom(v) > 0 {
		add("At lethal heat in", minutes(v.ToCeiling), true)
	}
	if v.LampsOffGain != nil && headroom(v) > 0 {
		add("Lamps off would gain", minutes(v.LampsOffGain), false)
	}
	if v.DewPoint != nil {
		add("Dew point", u.temp(*v.DewPoint), false)
	}
	if v.VPD != nil {
		add("Vapour pressure deficit", vpd(*v.VPD, v.Humidity.Value), false)
	}
	if v.LampsOn != nil {
		add("Lamps", map[bool]string{true: "on by schedule", false: "off by schedule"}[*v.LampsOn], false)
	}
	if v.LastMist != nil {
		add("Last mist", span(*v.LastMist)+" ago", v.MissedMists > 0)
	}
	if v.MissedMists > 0 {
		add("Missed mist", times(v.MissedMists, "pulse"), true)
	}
	if v.DryDown != nil && v.DryDownUsual != nil {
		add("Dries by half in", span(*v.DryDown)+" (usually "+span(*v.DryDownUsual)+")", false)
	}
	if v.NightDrop != nil {
		add("Last night's drop", u.delta(*v.NightDrop), v.NightsNoDrop > 0)
	}
	add("Heat exposure", number(v.Exposure*100, 0)+" % of the reference", v.Exposure >= 0.5)
	if v.DoorOpen {
		add("Door", "seems open", true)
	}
	return out
}

func rate(perHour float64, u units) string {
	if math.Abs(perHour) < 0.1 {
		return "steady"
	}
	word := "rising "
	if perHour < 0 {
		word = "falling "
	}
	return word + u.delta(math.Abs(perHour)) + " an hour"
}

// vpd writes kilopascals. Close to saturation the probe's error is larger than
// the value.
func vpd(pascals, rh float64) string {
	if rh >= 97 {
		return "0.1 kPa or less, saturated"
	}
	return number(pascals/1000, 2) + " kPa"
}

// chartOf fills in the addresses of the chart and of its neighbours.
func (s *site) chartOf(r *http.Request, p *enclosurePage, snap *alert.Snapshot, cfg *configs.Config) {
	q := r.URL.Query()
	at := periodOf(q.Get("span"), q.Get("end"), snap.At.Wall, cfg.Room.Location)
	loc := cfg.Room.Location
	ended := q.Get("end")
	if at.to.Equal(snap.At.Wall) || ended != "" && !at.to.Before(snap.At.Wall) {
		ended = ""
	}
	address := func(path string, extra ...string) string {
		v := url.Values{}
		for i := 0; i+1 < len(extra); i += 2 {
			if extra[i+1] != "" {
				v.Set(extra[i], extra[i+1])
			}
		}
		return "/enclosure/" + url.PathEscape(p.ID) + path + "?" + v.Encode()
	}
	for _, name := range periodNames {
		p.Spans = append(p.Spans, spanLink{name, address("", "span", name, "end", ended) + "#history", name == at.name})
	}
	// The address changes with time, so that a browser does not show an old one.
	moment := strconv.FormatInt(snap.At.Wall.Unix()/300, 36)
	if ended != "" {
		moment = ""
	}
	picture := func(w int) string {
		return address("/chart.svg", "span", at.name, "end", ended, "w", strconv.Itoa(w), "at", moment)
	}
	p.Chart.Narrow, p.Chart.Wide = picture(chartNarrow), picture(chartWide)
	p.Chart.Alt = "Temperature and humidity over the " + at.name
	last := func(t time.Time) time.Time { return t.In(loc).Add(-time.Second) }
	p.Chart.Title = last(at.from.Add(time.Second)).Format("2 Jan 2006") + " – " + last(at.to).Format("2 Jan 2006")
	p.Chart.Before = address("", "span", at.name, "end", last(at.from).Format("2006-01-02")) + "#history"
	if at.to.Before(snap.At.Wall) {
		length := at.to.Sub(at.from)
		next := last(at.to.Add(length + 2*time.Hour)) // a day may have 25 h
		end := next.Format("2006-01-02")
		if !next.Before(snap.At.Wall) {
			end = ""
		}
		p.Chart.After = address("", "span", at.name, "end", end) + "#history"
	}
}

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
		p.NightNote = fmt.Sprintf("Lamps %s; wanted drop %s to %s.", lamps.On, u.delta(float64(sp.DropMin)), u.delta(float64(sp.DropMax)))
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
	row.From = fmt.Sprintf("%s → %s %%", number(m.pulse.Before, 0), number(m.pulse.Peak, 0))
	row.Wet = span(m.pulse.Wet)
	switch {
	case m.pulse.HalfLife > 0:
		row.HalfLife = span(m.pulse.HalfLife)
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

func (s *site) probeRow(p *rules.ProbeView, now time.Time, u units) probeRow {
	row := probeRow{ID: p.ID, Place: p.Place, Trust: p.Quality, Age: span(p.Age) + " ago", Bad: !p.Fresh}
	if p.Reason != "" && p.Quality != sensors.Good.String() {
		row.Trust += ": " + p.Reason
		row.Bad = true
	}
	if p.Frozen {
		row.Trust, row.Bad = "frozen", true
	}
	if p.Good == 0 {
		row.Age = "never"
	}
	if p.HasTemperature {
		row.Value = u.temp(p.Temperature.Celsius())
	}
	if p.HasHumidity {
		row.Value += " " + number(p.Humidity.Percent(), 0) + " %"
	}
	if p.HasLight {
		row.Value += fmt.Sprintf(" %d lx", p.LightLux)
	}
	if p.Readings > 0 {
		row.Share = number(math.Floor(1000*float64(p.Good)/float64(p.Readings))/10, 1) + " % good"
	}
	for _, due := range []*time.Time{p.TemperatureDue, p.HumidityDue} {
		if due != nil && (row.Due == "" || overdue(due, now)) {
			row.Due = s.local(*due).Format("2 Jan 2006")
			row.DueBad = overdue(due, now)
		}
	}
	return row
}

// addNote keeps a line about an enclosure.
func (s *site) addNote(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if s.o.Notebook == nil {
		s.say(w, r, http.StatusServiceUnavailable, "Notes cannot be kept: the record is not open.")
		return
	}
	if _, ok := enclosureOf(s.o.Config(), id); !ok {
		s.say(w, r, http.StatusNotFound, "There is no such enclosure.")
		return
	}
	text := line(r.PostFormValue("text"), maxForm)
	if err := s.o.Notebook.AddNote(r.Context(), id, s.sessions.of(r).by, text); err != nil {
		s.say(w, r, http.StatusConflict, "The note was not kept: "+err.Error()+".")
		return
	}
	s.settle(r)
	http.Redirect(w, r, "/enclosure/"+url.PathEscape(id)+"?said=note#notes", http.StatusSeeOther)
}
