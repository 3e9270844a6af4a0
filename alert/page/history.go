package page

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/chart"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A period is a stretch of history that a chart shows.
type period struct {
	name     string // as in an address
	from, to time.Time
}

// periodNames are those that a page offers, shortest first.
var periodNames = []string{"day", "week", "month", "year"}

// periodOf returns the named period, "day" for any other name. It ends now,
// or with the local day of end ("2006-01-02") where that is given.
func periodOf(name, end string, now time.Time, loc *time.Location) period {
	to := now
	if t, err := time.ParseInLocation("2006-01-02", end, loc); err == nil && t.Before(now) && t.Year() > 2000 {
		to = t.AddDate(0, 0, 1)
	}
	p := period{name: name, to: to}
	switch name {
	case "week":
		p.from = to.AddDate(0, 0, -7)
	case "month":
		p.from = to.AddDate(0, -1, 0)
	case "year":
		// Whole days, so that every point holds a day and a night.
		y, m, d := to.In(loc).Date()
		if to.In(loc).Equal(time.Date(y, m, d, 0, 0, 0, 0, loc)) {
			p.to = to
		} else {
			p.to = time.Date(y, m, d+1, 0, 0, 0, 0, loc)
		}
		p.from = p.to.AddDate(-1, 0, 0)
	default:
		p.name, p.from = "day", to.Add(-24*time.Hour)
	}
	return p
}

// points is how many points a line gets at a width in pixels.
func (p period) points(width int) int {
	if p.name == "year" {
		return int(p.to.Sub(p.from)/(24*time.Hour)) + 1
	}
	return max(width*5/8, 100)
}

// curvesOf reads the lines of one probe: readings for a day, ten-minute sums for a
// week and a month, hourly ones for a year.
func curvesOf(ctx context.Context, rec Record, probe sensors.ProbeID, p period, n int, poll time.Duration) (temp, hum []chart.Point, err error) {
	level, gap := store.TenMinutes, max(4*poll, 3*time.Minute)
	if p.name == "year" {
		level = store.Hour
	}
	if p.name != "day" {
		gap = level.Span() / 2
	}
	temps, hums := chart.NewGather(p.from, p.to, n, gap), chart.NewGather(p.from, p.to, n, gap)
	if p.name == "day" {
		for r, e := range rec.Readings(ctx, probe, p.from, p.to) {
			if e != nil {
				err = errors.Join(err, e)
				continue
			}
			if r.Has&sensors.HasTemperature != 0 {
				temps.Add(r.At.Wall, r.Temperature.Celsius())
			}
			if r.Has&sensors.HasHumidity != 0 {
				hums.Add(r.At.Wall, r.Humidity.Percent())
			}
		}
		return temps.Points(), hums.Points(), err
	}
	for r, e := range rec.Rollups(ctx, probe, level, p.from, p.to) {
		if e != nil {
			err = errors.Join(err, e)
			continue
		}
		add := func(g *chart.Gather, has sensors.Quantities, s store.Spread) {
			if r.Has&has != 0 {
				g.AddSpread(r.Start, r.Start.Add(level.Span()), float64(s.Min)/100, float64(s.Mean)/100, float64(s.Max)/100, r.Count)
			}
		}
		add(temps, sensors.HasTemperature, r.Temperature)
		add(hums, sensors.HasHumidity, r.Humidity)
	}
	return temps.Points(), hums.Points(), err
}

// damage puts what could not be read into one sentence; empty for nothing.
func damage(err error) string {
	if err == nil {
		return ""
	}
	return fmt.Sprintf("Part of the record could not be read: %v", strings.ReplaceAll(err.Error(), "\n", "; "))
}

// Widths that a chart is drawn in; anything else would let a visitor ask for
// pictures of any size.
const (
	chartNarrow = 360
	chartWide   = 760
)

// pictureCSP is for a chart opened by itself: its own style sheet and nothing
// else.
const pictureCSP = "default-src 'none'; style-src 'unsafe-inline'"

func (s closeups) chart(w http.ResponseWriter, r *http.Request) {
	snap, cfg := s.o.Snapshot(), s.o.Config()
	e, ok := enclosureOf(cfg, r.PathValue("id"))
	if !ok {
		s.say(w, r, http.StatusNotFound, "There is no such enclosure.")
		return
	}
	q := r.URL.Query()
	width := chartWide
	if q.Get("w") == strconv.Itoa(chartNarrow) {
		width = chartNarrow
	}
	p := periodOf(q.Get("span"), q.Get("end"), snap.At.Wall, cfg.Room.Location)
	c, err := s.climate(r.Context(), snap, cfg, e, p, width)
	if err != nil && c.Panels == nil {
		s.say(w, r, http.StatusServiceUnavailable, "There is no picture: "+err.Error()+".")
		return
	}
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Content-Security-Policy", pictureCSP)
	w.Header().Set("Cache-Control", "private, max-age=60")
	_, _ = w.Write(c.SVG(width))
}

func enclosureOf(cfg *configs.Config, id string) (configs.Enclosure, bool) {
	i := slices.IndexFunc(cfg.Enclosures, func(e configs.Enclosure) bool { return e.ID == id })
	if i < 0 {
		return configs.Enclosure{}, false
	}
	return cfg.Enclosures[i], true
}

// climate fills the chart of an enclosure from the record. With an error it
// holds what could be read.
func (s closeups) climate(ctx context.Context, snap *alert.Snapshot, cfg *configs.Config, e configs.Enclosure, p period, width int) (chart.Chart, error) {
	rec := s.o.Record()
	if rec == nil {
		return chart.Chart{}, errNoRecord
	}
	c := chart.Climate(cfg, e, p.from, p.to)
	var errs error
	n, poll := p.points(width), cfg.Room.Poll.D()
	probes := cfg.ProbesOf(e.ID)
	for _, probe := range probes {
		temp, hum, err := curvesOf(ctx, rec, sensors.ProbeID(probe.ID), p, n, poll)
		errs = errors.Join(errs, err)
		name := seriesName(probe, probes)
		if len(temp) > 0 {
			c.Panels[0].Series = append(c.Panels[0].Series, chart.Series{Name: name, Points: temp})
		}
		if len(hum) > 0 && probe.Place != configs.Water {
			c.Panels[1].Series = append(c.Panels[1].Series, chart.Series{Name: name, Points: hum})
		}
	}
	if room, ok := roomProbe(cfg, e); ok {
		temp, _, err := curvesOf(ctx, rec, room, p, n, poll)
		errs = errors.Join(errs, err)
		c.Panels[0].Series = append(c.Panels[0].Series, chart.Series{Name: "room", Points: temp, Beside: true})
	}
	marks, err := s.marks(rec, snap, cfg, e, p)
	c.Marks, c.Scale = marks, scaleOf(cfg)
	return c, errors.Join(errs, err)
}

// seriesName is the place of a probe, or its id where two share a place.
func seriesName(p configs.Probe, all []configs.Probe) string {
	for _, q := range all {
		if q.ID != p.ID && q.Place == p.Place {
			return p.ID
		}
	}
	return string(p.Place)
}

// roomProbe returns the probe in the room that hangs closest to the
// enclosure: on its shelf, in its rack, anywhere.
func roomProbe(cfg *configs.Config, e configs.Enclosure) (sensors.ProbeID, bool) {
	best, rank := "", -1
	for _, p := range cfg.Probes {
		if p.Place != configs.InRoom || !p.MeasuresTemperature() {
			continue
		}
		r := 0
		switch {
		case p.Rack == e.Rack && p.Rack != "" && p.Shelf == e.Shelf:
			r = 3
		case p.Rack == "":
			r = 2
		case p.Rack == e.Rack:
			r = 1
		}
		if r > rank {
			best, rank = p.ID, r
		}
	}
	return sensors.ProbeID(best), rank >= 0
}

// marks gathers pulses, alarms and notes. Beyond a month a day is too narrow
// for pulses.
func (s closeups) marks(rec Record, snap *alert.Snapshot, cfg *configs.Config, e configs.Enclosure, p period) ([]chart.Mark, error) {
	var out []chart.Mark
	var errs error
	if p.name == "day" {
		found, _, err := logOf(rec, snap, e.ID, p.from)
		errs = errors.Join(errs, err)
		for _, m := range found {
			k := chart.Mark{At: m.At(), Kind: chart.Pulse, Text: "mist " + s.local(m.At()).Format("15:04")}
			if m.Verdict == event.MistMissed {
				k.Kind, k.Text = chart.MissedPulse, "no mist at "+s.local(m.At()).Format("15:04")
			} else if m.Start.IsZero() {
				continue // nobody could tell
			}
			if k.At.Before(p.to) {
				out = append(out, k)
			}
		}
	}
	alarms, err := onsets(rec, snap, p.from, ofEnclosure(cfg, e.ID))
	errs = errors.Join(errs, err)
	for _, o := range alarms {
		if o.Priority < alarm.Today {
			continue
		}
		kind := chart.Today
		if o.Priority == alarm.Wake {
			kind = chart.Wake
		}
		until := o.To.Wall
		if until.IsZero() {
			until = snap.At.Wall // a chart ends where it ends
		}
		out = append(out, chart.Mark{At: o.From.Wall, Until: until, Kind: kind, Text: words.HeadlineOf(o.Key)})
	}
	notes, err := s.o.Notebook.Notes(e.ID, p.from, p.to)
	errs = errors.Join(errs, err)
	for _, n := range notes {
		out = append(out, chart.Mark{At: n.Time, Kind: chart.Note, Text: n.Text})
	}
	return out, errs
}

// logOf reads what the log says of one enclosure's mists, dry-downs and nights
// since a moment, in order.
func logOf(rec Record, snap *alert.Snapshot, enclosure string, from time.Time) (mists []mist, nights []night, errs error) {
	var found event.Mists
	dries := map[int64]*event.DryDown{} // by the start of their pulse
	for e, err := range rec.JournalSince(runningAt(snap, from)) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		switch b := e.Body.(type) {
		case event.Mist:
			if b.Enclosure == enclosure {
				found.Take(b)
			}
		case event.DryDown:
			if b.Enclosure == enclosure {
				dries[b.Start.UnixNano()] = &b
			}
		case event.Night:
			if b.Enclosure == enclosure && !e.At.Wall.Before(from) {
				nights = append(nights, night{e.At.Wall, b})
			}
		}
	}
	for _, m := range found {
		if !m.At().Before(from) {
			mists = append(mists, mist{Mist: m, Dry: dries[m.Start.UnixNano()]})
		}
	}
	slices.SortStableFunc(mists, func(a, b mist) int { return a.At().Compare(b.At()) })
	return mists, nights, errs
}

// runningAt is a running time that is no later than a moment: it stands still
// while the board is off.
func runningAt(snap *alert.Snapshot, at time.Time) time.Duration {
	return snap.At.Mono - snap.At.Wall.Sub(at)
}

// A mist is one line about a pulse or about what was due, and how it dried.
type mist struct {
	event.Mist
	Dry    *event.DryDown // nil before it has dried
	Drying bool
}

// A night is one lamp cycle that ended.
type night struct {
	Ended time.Time
	event.Night
}

// Short reports whether it fell by less than least, in °C.
func (n night) Short(least float64) bool { return *n.Drop < least }

// lookBack is how long before a stretch of time alarms are looked for that go
// on into it. Older ones are still open and known from the snapshot.
const lookBack = 2 * 24 * time.Hour

// onsets reads the alarms that keep lets through and that were not over before
// from, oldest first.
func onsets(rec Record, snap *alert.Snapshot, from time.Time, keep func(alarm.Key) bool) ([]*alarm.Past, error) {
	before := from.Add(-lookBack)
	var out []*alarm.Past
	for _, a := range snap.Alarms {
		if a.Active && a.Since.Wall.Before(before) && keep(a.Key) {
			out = append(out, &alarm.Past{Key: a.Key, From: a.Since, By: a.AckedBy, Priority: a.Priority})
		}
	}
	log := alarm.History{Middle: true}
	var errs error
	for e, err := range rec.JournalSince(runningAt(snap, before)) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if a, ok := e.Body.(event.Alarm); ok && keep(alarm.Key{Alarm: alarm.ID(a.Alarm), Subject: a.Subject}) {
			log.Take(&e)
		}
	}
	out = append(out, log.Onsets...)
	return slices.DeleteFunc(out, func(o *alarm.Past) bool { return !o.To.IsZero() && o.To.Wall.Before(from) }), errs
}

// ofEnclosure returns which alarms are about an enclosure or its probes.
func ofEnclosure(cfg *configs.Config, id string) func(alarm.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k alarm.Key) bool { return subjects[k.Subject] }
}
