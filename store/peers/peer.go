package main

import (
	"math"
	"strconv"
	"time"

	"dewline/sensors"
)

// A peer is one store under test. Batches come in order of time, each to be
// durable when append returns.
type peer interface {
	append(batch []point) error
	// settle ends the writing, with whatever tidying the store does by itself.
	settle() error
	close() error
	// check looks the whole store over with the means it has itself; false where
	// it has none, or where opening did it already.
	check() (bool, error)
	// raw sums up the readings of one probe with from <= at < to, each of which it
	// makes in the form that the rest of the daemon takes it in.
	raw(probe int, from, to int64) (summary, error)
	// byHour sums up one probe's hours in [from, to).
	byHour(probe int, from, to int64) (summary, error)
	// byDay sums up the days of all probes in [from, to).
	byDay(from, to int64) (summary, error)
}

// A summary is what a query saw, to make sure that all stores saw the same.
type summary struct {
	Rows     int
	Min, Max int32 // of temperature
	Humidity int64 // sum of the rows' humidities, or of their means
	Times    int64 // of readings: sum of the milliseconds since begin
}

func newSummary() summary { return summary{Min: math.MaxInt32, Max: math.MinInt32} }

func (s *summary) add(minT, maxT, hum int32) {
	s.Rows++
	s.Min, s.Max = min(s.Min, minT), max(s.Max, maxT)
	s.Humidity += int64(hum)
}

// read adds a reading. It is not inlined, so that none of the stores gets away
// with leaving out what the sum does not need.
//
//go:noinline
func (s *summary) read(r *sensors.Reading) {
	s.add(int32(r.Temperature), int32(r.Temperature), int32(r.Humidity))
	s.Times += r.At.Wall.UnixMilli() - begin
}

// readingOf is a row of a peer as a reading. The peers keep neither the raw values
// beside the calibrated ones nor the quality, which dewline hands out as well.
func readingOf(probe sensors.ProbeID, at int64, t, h int32) sensors.Reading {
	return sensors.Reading{
		Probe: probe, At: sensors.Instant{Wall: time.UnixMilli(at).UTC()}, Has: sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(t), Humidity: sensors.CentiPercent(h),
	}
}

// nameOf is a probe's name in the peers, which know it by its number.
func nameOf(probe int) sensors.ProbeID { return sensors.ProbeID(strconv.Itoa(probe)) }

// near allows for a mean of hours that were rounded to hundredths themselves.
func (s summary) near(o summary) bool {
	d := s.Humidity - o.Humidity
	return s.Rows == o.Rows && s.Times == o.Times && s.Min == o.Min && s.Max == o.Max && max(d, -d) <= int64(s.Rows)
}

// spans makes min, mean and max of consecutive readings that share a span of
// time, for the stores that keep no rollups.
type spans struct {
	width, at  int64
	n          int
	minT, maxT int32
	sumT, sumH int64
	out        *summary
}

func (s *spans) add(at int64, t, h int32) {
	if start := at / s.width; s.n == 0 || start != s.at {
		s.flush()
		s.at, s.minT, s.maxT = start, t, t
	}
	s.n++
	s.minT, s.maxT = min(s.minT, t), max(s.maxT, t)
	s.sumT, s.sumH = s.sumT+int64(t), s.sumH+int64(h)
}

func (s *spans) flush() {
	if s.n > 0 {
		s.out.add(s.minT, s.maxT, int32(math.Round(float64(s.sumH)/float64(s.n))))
	}
	s.n, s.sumT, s.sumH = 0, 0, 0
}

// openers begin or reopen each store in dir, by its name in the table.
var openers = map[string]func(dir string) (peer, error){
	"dewline":        openDewline,
	"prometheus":     openPrometheus,
	"sqlite":         openSQLite,
	"bbolt, per key": openBolt,
}

// names is the order of the table; the first is what the others are told by.
var names = []string{"dewline", "prometheus", "sqlite", "bbolt, per key"}
