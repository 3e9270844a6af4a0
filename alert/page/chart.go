package page

import (
	"context"
	"errors"
	"net/http"
	"strconv"

	"dewline/alert"
	"dewline/alert/chart"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

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
