package page

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/chart"
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
		for r := range store.Good(rec.Readings(ctx, probe, p.from, p.to), store.JoinTo(&err)) {
			if r.Has&sensors.HasTemperature != 0 {
				temps.Add(r.At.Wall, r.Temperature.Celsius())
			}
			if r.Has&sensors.HasHumidity != 0 {
				hums.Add(r.At.Wall, r.Humidity.Percent())
			}
		}
		return temps.Points(), hums.Points(), err
	}
	for r := range store.Good(rec.Rollups(ctx, probe, level, p.from, p.to), store.JoinTo(&err)) {
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

// logOf reads what the log says of one enclosure's mists, dry-downs and nights
// since a moment, in order.
func logOf(rec Record, snap *alert.Snapshot, enclosure string, from time.Time) (mists []mist, nights []night, errs error) {
	var found event.Mists
	dries := map[int64]*event.DryDown{} // by the start of their pulse
	for e := range store.Good(rec.JournalSince(runningAt(snap, from)), store.JoinTo(&errs)) {
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
			out = append(out, &alarm.Past{Key: a.Key, From: a.Since, Raised: a.Since, Peak: a.Peak, By: a.AckedBy, Priority: a.Priority})
		}
	}
	log := alarm.History{Middle: true}
	var errs error
	for e := range store.Good(rec.JournalSince(runningAt(snap, before)), store.JoinTo(&errs)) {
		if a, ok := e.Body.(event.Alarm); ok && keep(alarm.Key{Alarm: alarm.ID(a.Alarm), Subject: a.Subject}) {
			log.Take(&e)
		}
	}
	out = append(out, log.Onsets...)
	return slices.DeleteFunc(out, func(o *alarm.Past) bool { return !o.To.IsZero() && o.To.Wall.Before(from) }), errs
}

func ofEnclosure(cfg *configs.Config, id string) func(alarm.Key) bool {
	subjects := map[string]bool{id: true}
	for _, p := range cfg.ProbesOf(id) {
		subjects[p.ID] = true
	}
	return func(k alarm.Key) bool { return subjects[k.Subject] }
}

// Record is the record as far as pages read it; *store.Store is one.
type Record interface {
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	// JournalSince yields the events from a running time on.
	JournalSince(mono time.Duration) iter.Seq2[event.Event, error]
}

// errNoRecord says that there is nothing to read from.
var errNoRecord = errors.New("the record is not open")

// extremes are the least and the greatest temperature, in °C.
type extremes struct{ Low, High float64 }

// ranges keeps the extremes of the last day, because reading them for every
// visit would cost more than the rest of the home page.
type ranges struct {
	mu  sync.Mutex // guards what follows
	at  time.Time
	all map[string]*extremes
}

// rangesFor is how old kept extremes may be, in room time.
const rangesFor = 10 * time.Minute

// of returns the extremes by enclosure. Without a record, or where it cannot
// be read, they are simply missing.
func (x *ranges) of(ctx context.Context, rec Record, cfg *configs.Config, now time.Time) map[string]*extremes {
	if rec == nil {
		return nil
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if age := now.Sub(x.at); x.all != nil && age >= 0 && age < rangesFor {
		return x.all
	}
	all := make(map[string]*extremes, len(cfg.Enclosures))
	for _, e := range cfg.Enclosures {
		for _, p := range cfg.ProbesOf(e.ID) {
			for sum, err := range rec.Rollups(ctx, sensors.ProbeID(p.ID), store.Hour, now.Add(-24*time.Hour), now.Add(time.Hour)) {
				if err != nil || sum.Has&sensors.HasTemperature == 0 {
					continue
				}
				one := &extremes{float64(sum.Temperature.Min) / 100, float64(sum.Temperature.Max) / 100}
				if had := all[e.ID]; had != nil {
					one = &extremes{min(one.Low, had.Low), max(one.High, had.High)}
				}
				all[e.ID] = one
			}
		}
	}
	if ctx.Err() == nil {
		x.at, x.all = now, all
	}
	return all
}
