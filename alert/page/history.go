package page

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewline/alert/chart"
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
