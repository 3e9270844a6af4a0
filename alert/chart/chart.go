// Package chart draws climate over time: one model, laid out once into plain
// shapes, written as SVG for a page and as PNG for mail.
//
// What is drawn is decided here: ticks in local time, the band as a ribbon
// that steps with day and night, lamps-off hours shaded, gaps left open. Where
// the values come from is the caller's matter; nothing here reads a clock or
// the record.
package chart

import (
	"cmp"
	"math"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
)

// A Chart is one or more panels above one time axis.
type Chart struct {
	Title    string // accessible name
	From, To time.Time
	Location *time.Location // of the ticks; nil for UTC
	Scale    unit.Scale     // of the reader's temperatures; those of the chart are in °C
	Panels   []Panel        // from top to bottom
	Dark     []Span         // lamps-off hours, shaded through all panels
	Marks    []Mark         // in a strip of their own
}

// A Span is a stretch of time, To excluded.
type Span struct{ From, To time.Time }

// A Panel is one quantity.
type Panel struct {
	Name   string // "Temperature"
	Unit   string // "°C", after the name
	Water  bool   // in the colour of water, else of warmth
	Series []Series
	Bands  []Band
	Limits []Limit
	// Least is the smallest span of the value axis, in the unit.
	Least float64
	// Ends keeps the value axis inside [Ends[0], Ends[1]]; both 0 for no ends.
	Ends  [2]float64
	scale unit.Scale // of a panel in °C: what its reader reads
}

func (p Panel) in(s unit.Scale) Panel {
	if p.Unit == unit.Celsius.Name() {
		p.Unit, p.Least, p.scale = s.Name(), unit.TemperatureDelta(p.Least).In(s), s
	}
	return p
}

// shown is a value as the reader reads it.
func (p *Panel) shown(v float64) float64 { return unit.Temperature(v).In(p.scale) }

// A Series is one line with its envelope.
type Series struct {
	Name   string // of the probe's place: "canopy"; empty for no label
	Points []Point
	// Beside marks a line for comparison, such as the room's: thin and grey.
	Beside bool
}

// A Point is what is known of one stretch of time around At. A Gap says that
// the line ends before it.
type Point struct {
	At             time.Time
	Min, Mean, Max float64
	Gap            bool
}

// A Band is a stretch of wanted values.
type Band struct {
	Span
	Low, High float64
}

// A Limit is one constant value: lethal heat, or humidity that must be kept.
type Limit struct {
	Name  string // "lethal limit"
	Value float64
}

// MarkKind is what happened.
type MarkKind uint8

// The kinds of mark. Each has a shape of its own, so that colour is not needed
// to tell them apart.
const (
	Pulse       MarkKind = iota // mist: a drop
	MissedPulse                 // a due pulse that did not come: an empty drop
	Wake                        // a wake alarm: a filled triangle, with a bar while it held
	Today                       // a today alarm: an empty triangle, with a bar
	Note                        // a keeper's note: a square
)

// A Mark is one event. Until is zero for a moment.
type Mark struct {
	At, Until time.Time
	Kind      MarkKind
	Text      string // shown on pointing at it, SVG only
}

// stepsUpTo is the longest span in which day and night are told apart; beyond
// it they would be stripes.
const stepsUpTo = 16 * 24 * time.Hour

// Climate returns the chart of one enclosure without its values: a panel of
// temperature and one of humidity, with the band, the limits and the
// lamps-off hours that the configuration gives for [from, to).
func Climate(cfg *configs.Config, e configs.Enclosure, from, to time.Time) Chart {
	sp := cfg.SpeciesOn(e, to.Add(-time.Second))
	c := Chart{
		Title: cmp.Or(e.Name, e.ID), From: from, To: to, Location: cfg.Room.Location,
		Panels: []Panel{
			{
				Name: "Temperature", Unit: "°C", Least: 4,
				Limits: []Limit{{Name: "lethal limit", Value: float64(sp.Lethal)}},
			},
			{Name: "Humidity", Unit: "%", Water: true, Least: 20, Ends: [2]float64{0, 100}},
		},
	}
	if sp.Floor > 0 {
		c.Panels[1].Limits = []Limit{{Name: "floor", Value: float64(sp.Floor)}}
		c.Panels[1].Bands = days(cfg, e, from, to, func(s *configs.Species) configs.Band { return configs.Band{Low: configs.Celsius(s.Floor), High: 100} })
	}
	lamps, ok := cfg.LampsOf(e)
	if !ok || to.Sub(from) > stepsUpTo {
		c.Panels[0].Bands = days(cfg, e, from, to, func(s *configs.Species) configs.Band {
			return configs.Band{Low: min(s.Day.Low, s.Night.Low), High: max(s.Day.High, s.Night.High)}
		})
		return c
	}
	c.Dark, c.Panels[0].Bands = steps(cfg, e, lamps, from, to)
	return c
}

// days follows the limits from day to day; equal ones make one band.
func days(cfg *configs.Config, e configs.Enclosure, from, to time.Time, of func(*configs.Species) configs.Band) (bands []Band) {
	for at := from; at.Before(to); {
		next := at.Add(24 * time.Hour)
		if next.After(to) {
			next = to
		}
		s := cfg.SpeciesOn(e, at)
		b := Band{Span{at, next}, float64(of(&s).Low), float64(of(&s).High)}
		if n := len(bands); n > 0 && bands[n-1].Low == b.Low && bands[n-1].High == b.High {
			bands[n-1].To = next
		} else {
			bands = append(bands, b)
		}
		at = next
	}
	return bands
}

// steps follows the lamp schedule, each step by the limits of the day that it
// begins on.
func steps(cfg *configs.Config, e configs.Enclosure, lamps configs.Lamps, from, to time.Time) (dark []Span, bands []Band) {
	for at := from; at.Before(to); {
		next := lamps.NextChange(at, cfg.Room.Location)
		if next.IsZero() || next.After(to) {
			next = to
		}
		sp := cfg.SpeciesOn(e, at)
		span, band := Span{at, next}, sp.Day
		if !lamps.IsOn(at, cfg.Room.Location) {
			band = sp.Night
			dark = append(dark, span)
		}
		bands = append(bands, Band{span, float64(band.Low), float64(band.High)})
		at = next
	}
	return dark, bands
}

// A Gather thins values to a number of points that suits a width: each point
// holds the least, the mean and the greatest of one bucket of time.
type Gather struct {
	from    time.Time
	width   time.Duration
	gap     time.Duration
	buckets []bucket
}

type bucket struct {
	n         float64
	sum       float64
	min, max  float64
	at        float64 // sum of offsets, seconds
	first     time.Time
	last      time.Time
	brokenOff bool
}

// NewGather returns a Gather of n buckets over [from, to). Values further
// apart than gap leave the line open between them.
func NewGather(from, to time.Time, n int, gap time.Duration) *Gather {
	n = max(n, 1)
	return &Gather{from: from, width: max(to.Sub(from)/time.Duration(n), 1), gap: gap, buckets: make([]bucket, n)}
}

// Add takes one value.
func (g *Gather) Add(at time.Time, v float64) { g.AddSpread(at, at, v, v, v, 1) }

// AddSpread takes a sum of n values over [at, end): their least, mean and
// greatest. What is not finite or lies outside the time is left out. Values
// come in order of time.
func (g *Gather) AddSpread(at, end time.Time, low, mean, high float64, n int) {
	mid := at.Add(end.Sub(at) / 2)
	i := int(mid.Sub(g.from) / g.width)
	if mid.Before(g.from) || i >= len(g.buckets) || n < 1 || !finite(low) || !finite(mean) || !finite(high) {
		return
	}
	b := &g.buckets[i]
	w := float64(n)
	if b.n == 0 {
		b.min, b.max, b.first = low, high, at
	} else if at.Sub(b.last) > g.gap {
		b.brokenOff = true
	}
	b.min, b.max = min(b.min, low), max(b.max, high)
	b.n += w
	b.sum += w * mean
	b.at += w * mid.Sub(g.from).Seconds()
	b.last = end
}

// Points returns one point for each bucket that holds a value.
func (g *Gather) Points() []Point {
	var out []Point
	var last time.Time
	for i := range g.buckets {
		b := &g.buckets[i]
		if b.n == 0 {
			continue
		}
		at := g.from.Add(time.Duration(b.at / b.n * float64(time.Second)))
		out = append(out, Point{
			At: at, Min: b.min, Mean: min(max(b.sum/b.n, b.min), b.max), Max: b.max, // rounding aside
			Gap: len(out) == 0 || b.first.Sub(last) > g.gap || b.brokenOff,
		})
		last = b.last
	}
	return out
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
