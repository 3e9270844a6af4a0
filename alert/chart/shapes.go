package chart

import (
	"strings"
	"time"

	"dewline/configs/unit"
)

// A role is what a shape stands for; a theme gives each role its look.
type role uint8

const (
	roleBack      role = iota // behind everything
	roleDark                  // lamps-off hours
	roleBand                  // the wanted values
	roleGrid                  // value and time lines
	roleFrame                 // the plot's foot
	roleWarm                  // temperature line
	roleWarmBy                // its envelope
	roleWater                 // humidity line
	roleWaterBy               // its envelope
	roleBeside                // a line for comparison
	roleLethal                // lethal heat
	roleFloor                 // humidity that must be kept
	rolePulse                 // mist pulse, filled
	roleMissed                // missing mist pulse, empty
	rolePulseLine             // a pulse's line through the humidity
	roleWake                  // wake alarm
	roleToday                 // today alarm
	roleNote                  // keeper's note
	roleText                  // headings
	roleFaint                 // tick labels
	roleHalo                  // limit labels, on the plot
	numRoles
)

var classOf = [numRoles]string{
	"bk", "dk", "bd", "gr", "fr", "w", "wb", "h", "hb", "by", "cl", "fl",
	"pu", "mi", "pl", "wa", "to", "no", "tx", "ft", "lt",
}

// A pt is a place on the picture, in pixels from the upper left.
type pt struct{ x, y float64 }

type dash uint8

const (
	solid dash = iota
	dashed
	dotted
)

// dashes are lengths of stroke and space, in pixels.
var dashes = [...][2]float64{solid: {}, dashed: {6, 4}, dotted: {2, 3}}

// A shape is one thing to draw: paths, or a text at the first place.
type shape struct {
	role   role
	paths  [][]pt
	closed bool
	dash   dash
	text   string
	align  align
	bold   bool
	size   float64
	title  string // what pointing at it tells
}

type align uint8

const (
	left align = iota
	middle
	right
)

// A picture is a chart laid out.
type picture struct {
	width, height float64
	shapes        []shape
}

func (p *picture) add(s shape) { p.shapes = append(p.shapes, s) }

func (p *picture) rect(r role, x0, y0, x1, y1 float64) {
	p.add(shape{role: r, closed: true, paths: [][]pt{{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}}}})
}

func (p *picture) line(r role, d dash, points ...pt) {
	p.add(shape{role: r, dash: d, paths: [][]pt{points}})
}

func (p *picture) label(r role, at pt, size float64, a align, bold bool, text string) {
	p.add(shape{role: r, paths: [][]pt{{at}}, size: size, align: a, bold: bold, text: text})
}

// textWidth estimates the width of text in any plain sans-serif font.
func textWidth(text string, size float64) float64 {
	n := 0.0
	for _, r := range text {
		switch r {
		case ' ', '.', ',', ':', 'i', 'l', 'I', 'j':
			n += 0.3
		case '%', 'm', 'M', 'W':
			n += 0.92
		default:
			n += 0.58
		}
	}
	return n * size
}

// A frame is where things stand on a picture, in pixels.
type frame struct {
	left, right float64 // of every plot
	size        float64 // of text
	head        float64 // height of a panel's heading
	lane        float64 // height of a row of marks
	foot        float64 // height of the time labels
	from        time.Time
	perSecond   float64
}

// x returns the pixel of a moment, held inside the plot.
func (f frame) x(t time.Time) float64 {
	return min(max(f.left+t.Sub(f.from).Seconds()*f.perSecond, f.left), f.right)
}

// num writes a number with at most one decimal.
func num(v float64) string {
	return strings.TrimSuffix(unit.Number(v, 1), ".0")
}
