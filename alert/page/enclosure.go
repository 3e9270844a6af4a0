package page

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/sensors"
)

type enclosurePage struct {
	frame
	Species, Limits string
	Alarms          []alarmCard
	Spans           []spanLink
	Chart           picture
	onRecord
	Probes []*rules.ProbeView
	Damage string
	View   look
}

// MostNote is what the form takes.
func (enclosurePage) MostNote() int { return MostNote }

type spanLink struct {
	Name, Link string
	Current    bool
}

// A picture is a chart by its addresses.
type picture struct{ Narrow, Wide, Alt, Before, After, Title string }

func (s closeups) enclosure(w http.ResponseWriter, r *http.Request) {
	snap, cfg := s.o.Snapshot(), s.o.Config()
	e, ok := enclosureOf(cfg, r.PathValue("id"))
	i := slices.IndexFunc(snap.Enclosures, func(v rules.EnclosureView) bool { return v.ID == e.ID })
	if !ok || i < 0 {
		s.say(w, r, http.StatusNotFound, "There is no such enclosure.")
		return
	}
	u := scaleOf(cfg)
	v := &snap.Enclosures[i]
	p := enclosurePage{frame: s.frame(r, cmp.Or(v.Name, v.ID), "room"), Species: speciesName(cfg, v.Species) + ", " + v.Stage}
	p.View = look{v, p.reader}
	p.Live = true
	if e.Animals > 0 {
		p.Species += fmt.Sprintf(", %d animals", e.Animals)
	}
	p.Limits = limitText(cfg, e, u, snap.At)
	keep := ofEnclosure(cfg, e.ID)
	for _, a := range snap.Alarms {
		if keep(a.Key) {
			c := p.alarmCard(&a)
			c.Link = "" // it is here
			p.Alarms = append(p.Alarms, c)
		}
	}
	once(p.Alarms)
	s.chartOf(r, &p, snap, cfg)
	for i := range snap.Probes {
		if snap.Probes[i].Enclosure == e.ID {
			p.Probes = append(p.Probes, &snap.Probes[i])
		}
	}
	var err error
	p.onRecord, err = s.past(snap, cfg, e)
	p.Damage = damage(err)
	s.show(w, http.StatusOK, "enclosure", &p)
}

// limitText says which limits are in force today, each with the grade of its source.
func limitText(cfg *configs.Config, e configs.Enclosure, u unit.Scale, now sensors.Instant) string {
	day := time.Time{} // limits of no date
	if now.Synced {
		day = now.Wall
	}
	sp := cfg.SpeciesOn(e, day)
	used := map[configs.Grade]bool{}
	graded := func(cell configs.Cell, text string) string {
		used[sp.Grade(cell)] = true
		return text + " (" + string(sp.Grade(cell)) + ")"
	}
	band := func(b configs.Band) string { return words.Band(float64(b.Low), float64(b.High), u) }
	text := "Target today: day " + graded(configs.CellDay, band(sp.Day)) + ", night " + graded(configs.CellNight, band(sp.Night))
	if sp.Tolerated != (configs.Band{}) {
		text += ", no excursion at any hour " + graded(configs.CellTolerated, band(sp.Tolerated))
	}
	if sp.Floor > 0 {
		text += ", humidity from " + graded(configs.CellFloor, words.Percent(float64(sp.Floor)))
	}
	text += "; act now from " + graded(configs.CellAct, words.Degrees(float64(sp.Act), u)) + ", lethal limit " + graded(configs.CellLethal, words.Degrees(float64(sp.Lethal), u)) + "."
	if season, ok := cfg.SeasonOn(e, day); ok {
		text += fmt.Sprintf(" Season %s until %s.", season.ID, season.To)
	}
	sources := configs.Sources()
	for _, g := range slices.Sorted(maps.Keys(used)) {
		text += fmt.Sprintf(" %s: %s.", g, sources[g])
	}
	return text + " Defaults are not veterinary advice."
}

func (s closeups) chartOf(r *http.Request, p *enclosurePage, snap *alert.Snapshot, cfg *configs.Config) {
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
		return "/enclosure/" + url.PathEscape(p.View.ID) + path + "?" + v.Encode()
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

func (s closeups) addNote(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if _, ok := enclosureOf(s.o.Config(), id); !ok {
		s.say(w, r, http.StatusNotFound, "There is no such enclosure.")
		return
	}
	text := line(r.PostFormValue("text"), maxForm)
	if err := s.o.Notebook.AddNote(r.Context(), id, s.sessions.of(r).by, text); err != nil {
		s.say(w, r, http.StatusConflict, "The note was not kept: "+err.Error()+".")
		return
	}
	http.Redirect(w, r, "/enclosure/"+url.PathEscape(id)+"?said=note#notes", http.StatusSeeOther)
}

// past returns what comes from the record, with an error as far as it could be read.
func (s closeups) past(snap *alert.Snapshot, cfg *configs.Config, e configs.Enclosure) (p onRecord, errs error) {
	now := snap.At.Wall
	notes, errs := s.o.Notebook.Notes(e.ID, now.AddDate(0, 0, -60), now.AddDate(0, 0, 1))
	slices.Reverse(notes)
	p.Notes = notes
	rec := s.o.Record()
	if rec == nil {
		return p, errors.Join(errs, errNoRecord)
	}
	mists, nights, err := logOf(rec, snap, e.ID, now.AddDate(0, 0, -8))
	errs = errors.Join(errs, err)
	sched, _ := cfg.MistOf(e)
	for _, m := range slices.Backward(mists) {
		if now.Sub(m.At()) <= 48*time.Hour {
			m.Drying = m.Dry == nil && now.Sub(m.Start) < driesFor
			p.Mists = append(p.Mists, m)
		}
	}
	p.MistDue = sched.TimesOn(configs.YearDayOf(s.local(now)))
	if lamps, ok := cfg.LampsOf(e); ok {
		sp := cfg.SpeciesFor(e)
		p.LampsOn, p.DropMin = fmt.Sprint(lamps.On), float64(sp.DropMin)
		slices.Reverse(nights)
		p.Nights = nights
	}
	return p, errs
}

// driesFor is how long after a pulse its dry-down may still come.
const driesFor = 6 * time.Hour

type onRecord struct {
	Mists   []mist
	MistDue []configs.ClockTime
	Nights  []night
	LampsOn string  // empty without a photoperiod
	DropMin float64 // wanted of a night, in °C
	Notes   []wire.Note
}
