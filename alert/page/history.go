package page

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/chart"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/climate"
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

// curves are the lines of one probe.
type curves struct{ temp, hum []chart.Point }

// curvesOf reads one probe: readings for a day, ten-minute sums for a week and
// a month, hourly ones for a year.
func curvesOf(ctx context.Context, rec History, probe sensors.ProbeID, p period, n int, poll time.Duration) (curves, error) {
	var c curves
	var err error
	if p.name == "day" {
		temp, hum := gathers(p, n, max(4*poll, 3*time.Minute))
		for r, e := range rec.Readings(ctx, probe, p.from, p.to) {
			if e != nil {
				err = errors.Join(err, e)
				continue
			}
			if r.Has&sensors.HasTemperature != 0 {
				temp.Add(r.At.Wall, r.Temperature.Celsius())
			}
			if r.Has&sensors.HasHumidity != 0 {
				hum.Add(r.At.Wall, r.Humidity.Percent())
			}
		}
		c.temp, c.hum = temp.Points(), hum.Points()
		return c, err
	}
	level := store.TenMinutes
	if p.name == "year" {
		level = store.Hour
	}
	temp, hum := gathers(p, n, level.Span()/2)
	for r, e := range rec.Rollups(ctx, probe, level, p.from, p.to) {
		if e != nil {
			err = errors.Join(err, e)
			continue
		}
		end := r.Start.Add(level.Span())
		if r.Has&sensors.HasTemperature != 0 {
			t := r.Temperature
			temp.AddSpread(r.Start, end, float64(t.Min)/100, float64(t.Mean)/100, float64(t.Max)/100, r.Count)
		}
		if r.Has&sensors.HasHumidity != 0 {
			h := r.Humidity
			hum.AddSpread(r.Start, end, float64(h.Min)/100, float64(h.Mean)/100, float64(h.Max)/100, r.Count)
		}
	}
	c.temp, c.hum = temp.Points(), hum.Points()
	return c, err
}

func gathers(p period, n int, gap time.Duration) (temp, hum *chart.Gather) {
	return chart.NewGather(p.from, p.to, n, gap), chart.NewGather(p.from, p.to, n, gap)
}

// A mist is one pulse that was seen, or one that was due and was not.
type mist struct {
	at     time.Time
	pulse  climate.Pulse
	missed bool
	open   bool // still drying
}

// How far from its due time a pulse may begin and still be the due one.
const (
	mistEarly = 3 * time.Minute
	mistLate  = 15 * time.Minute
	// mistLead is what the detector has to have seen before a pulse.
	mistLead = 20 * time.Minute
	// mistHoles is the longest hole in the readings after which a due pulse is
	// still looked for.
	mistHoles = 10 * time.Minute
)

// mists finds the pulses of [from, to) in the readings of a probe, and those
// that were due without one.
func mists(ctx context.Context, rec History, probe sensors.ProbeID, sched configs.Mist, loc *time.Location, from, to time.Time) ([]mist, error) {
	var det climate.MistDetector
	var out []mist
	var errs error
	var seen []time.Time // ends of holes and of the readings, in pairs
	var last, start time.Time
	for r, err := range rec.Readings(ctx, probe, from.Add(-mistLead), to) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if r.Has&sensors.HasHumidity == 0 || r.Has&sensors.HasTemperature == 0 {
			continue
		}
		if start.IsZero() {
			start, last = r.At.Wall, r.At.Wall
		}
		if r.At.Wall.Sub(last) > mistHoles {
			seen = append(seen, start, last)
			start = r.At.Wall
		}
		last = r.At.Wall
		// Durations on the wall clock: pulses are shown at wall times.
		switch det.Observe(r.At.Wall.Sub(from)+mistLead, r.Temperature.Celsius(), r.Humidity.Percent()) {
		case climate.MistStarted:
			if n := len(out); n > 0 && out[n-1].open {
				out[n-1].pulse, out[n-1].open = det.Done, false
			}
			out = append(out, mist{at: from.Add(det.Now.Start - mistLead), pulse: det.Now, open: true})
		case climate.MistPeaked:
			if n := len(out); n > 0 {
				out[n-1].pulse = det.Now
			}
		case climate.MistEnded:
			if n := len(out); n > 0 {
				out[n-1].pulse, out[n-1].open = det.Done, false
			}
		}
	}
	if !start.IsZero() {
		seen = append(seen, start, last)
	}
	if n := len(out); n > 0 && out[n-1].open {
		out[n-1].pulse = det.Now
	}
	return missing(out, seen, sched, loc, from, to), errs
}

// missing adds the due pulses that did not come while the probe was watching.
func missing(found []mist, seen []time.Time, sched configs.Mist, loc *time.Location, from, to time.Time) []mist {
	var out []mist
	i := 0
	for due := sched.Next(from.Add(-time.Second), loc); !due.IsZero() && due.Before(to); due = sched.Next(due, loc) {
		for i < len(found) && found[i].at.Before(due.Add(-mistEarly)) {
			out = append(out, found[i])
			i++
		}
		came := i < len(found) && !found[i].at.After(due.Add(mistLate))
		if !came && watched(seen, due.Add(-mistEarly), due.Add(mistLate)) {
			out = append(out, mist{at: due, missed: true})
		}
	}
	return append(out, found[i:]...)
}

// watched reports whether one stretch of readings covers [from, to].
func watched(seen []time.Time, from, to time.Time) bool {
	for i := 0; i+1 < len(seen); i += 2 {
		if !seen[i].After(from) && !seen[i+1].Before(to) {
			return true
		}
	}
	return false
}

// A night is one lamp cycle that ended.
type night struct {
	ended  time.Time
	report climate.NightReport
}

// nights follows the lamp schedule through ten-minute sums.
func nights(ctx context.Context, rec History, probe sensors.ProbeID, lamps configs.Lamps, loc *time.Location, from, to time.Time) ([]night, error) {
	var n climate.Night
	var out []night
	var errs error
	for r, err := range rec.Rollups(ctx, probe, store.TenMinutes, from, to) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if r.Has&sensors.HasTemperature == 0 {
			continue
		}
		// Package climate looks at five-minute bins: two for each sum.
		for _, at := range [...]time.Duration{150 * time.Second, 450 * time.Second} {
			wall := r.Start.Add(at)
			if n.Observe(wall.Sub(from), float64(r.Temperature.Mean)/100, lamps.IsOn(wall, loc)) {
				out = append(out, night{ended: r.Start, report: n.Done})
			}
		}
	}
	return out, errs
}

// An onset is one alarm of the past, from the journal.
type onset struct {
	key      rules.Key
	id       string
	from, to time.Time // to is zero while it is not over
	acked    time.Time
	by       string
	priority string // the highest it had; empty in old entries
}

// onsets reads the alarms of [from, to), oldest first.
func onsets(rec Record, from, to time.Time) ([]*onset, error) {
	var out []*onset
	var errs error
	byID := map[string]*onset{}
	for e, err := range rec.Journal(from, to) {
		if err != nil {
			errs = errors.Join(errs, err)
			continue
		}
		if e.Kind != "alarm" {
			continue
		}
		key, ok := keyOf(e.Subject)
		if !ok {
			continue
		}
		o := byID[e.Subject]
		if o == nil {
			o = &onset{key: key, from: e.At.Wall}
			byID[e.Subject], out = o, append(out, o)
		}
		o.take(e)
	}
	return out, errs
}

// A diary keeps the alarms of the last year, because finding them means
// reading the whole journal. They change when an alarm does.
type diary struct {
	mu      sync.Mutex // guards what follows
	at      time.Time  // room time
	print   uint64     // of the alarms
	changed time.Time  // when print did, and
	read    time.Time  // when the journal was read, on the process's clock
	all     []*onset
	err     error
}

// Limits of a diary.
const (
	diaryFor  = 366 * 24 * time.Hour
	diaryKept = 24 * time.Hour // of room time, though no alarm changes
	// diaryLag is the longest that an entry follows its alarm: the card is
	// written beside the decisions.
	diaryLag = 5 * time.Second
)

// of returns the alarms of the last year that keep lets through and that were
// not over before from, oldest first. They must not be changed.
func (d *diary) of(rec Record, snap *alert.Snapshot, from time.Time, keep func(rules.Key) bool) ([]*onset, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now, print := snap.At.Wall, fingerprint(snap)
	if d.print != print {
		d.print, d.changed = print, time.Now()
	}
	age := now.Sub(d.at)
	if d.err != nil || d.read.Sub(d.changed) < diaryLag || age < 0 || age > diaryKept {
		d.at, d.read = now, time.Now()
		// A clock that was wrong may have dated entries into the future.
		d.all, d.err = onsets(rec, now.Add(-diaryFor), now.Add(diaryFor))
	}
	var out []*onset
	for _, o := range d.all {
		if keep(o.key) && (o.to.IsZero() || !o.to.Before(from)) {
			out = append(out, o)
		}
	}
	return out, d.err
}

// keyOf takes "alarm/subject/number" apart.
func keyOf(onsetID string) (rules.Key, bool) {
	parts := strings.Split(onsetID, "/")
	if len(parts) != 3 {
		return rules.Key{}, false
	}
	return rules.Key{Alarm: rules.AlarmID(parts[0]), Subject: parts[1]}, true
}

// take follows one step of the alarm's life.
func (o *onset) take(e store.JournalEntry) {
	if o.priority == "" || e.Priority == rules.Wake.String() {
		o.priority = e.Priority
	}
	switch e.New {
	case alarm.Norm.String(), alarm.RTNUN.String(), alarm.LatchUnack.String(), alarm.LatchAck.String():
		if o.to.IsZero() {
			o.to = e.At.Wall
		}
	case alarm.Unack.String(), alarm.Acked.String():
		o.to = time.Time{} // it came back before anybody answered
	}
	answered := e.New == alarm.Acked.String() || e.New == alarm.LatchAck.String() ||
		e.New == alarm.Norm.String() && e.Old == alarm.RTNUN.String() && e.Who != ""
	if answered && o.acked.IsZero() {
		o.acked, o.by = e.At.Wall, e.Who
	}
}

// markKind is how an alarm is drawn; false for what is not worth a mark.
func (o *onset) markKind() (chart.MarkKind, bool) {
	switch o.priority {
	case rules.Wake.String():
		return chart.Wake, true
	case rules.Note.String():
		return 0, false
	}
	return chart.Today, true
}

// ofEnclosure returns which alarms are about an enclosure or its probes.
func ofEnclosure(cfg *configs.Config, id string) func(rules.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k rules.Key) bool { return subjects[k.Subject] }
}

// lead is the probe whose readings stand for an enclosure: the one for the
// floor where it matters, or the first that measures what is asked for.
func lead(probes []configs.Probe, measures func(configs.Probe) bool) (sensors.ProbeID, bool) {
	for _, p := range probes {
		if p.FloorProbe && measures(p) {
			return sensors.ProbeID(p.ID), true
		}
	}
	for _, p := range probes {
		if measures(p) {
			return sensors.ProbeID(p.ID), true
		}
	}
	return "", false
}

// damage puts what could not be read into one sentence; empty for nothing.
func damage(err error) string {
	if err == nil {
		return ""
	}
	return fmt.Sprintf("Part of the record could not be read: %v", strings.ReplaceAll(err.Error(), "\n", "; "))
}
