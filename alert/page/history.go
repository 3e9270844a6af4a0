package page

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewline/alert/chart"
	"dewline/configs"
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
