package chart

import (
	"time"

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

// Colour is the role of a panel's lines; each theme has its own shade.
type Colour uint8

// The colours of panels.
const (
	Warm  Colour = iota // temperature
	Water               // humidity
)

// A Panel is one quantity.
type Panel struct {
	Name   string // "Temperature"
	Unit   string // "°C", after the name
	Colour Colour
	Series []Series
	Bands  []Band
	Limits []Limit
	// Least is the smallest span of the value axis, in the unit.
	Least float64
	// Ends keeps the value axis inside [Ends[0], Ends[1]]; both 0 for no ends.
	Ends  [2]float64
	scale unit.Scale // of a panel in °C: what its reader reads
}

// in returns the panel for a reader of s.
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
