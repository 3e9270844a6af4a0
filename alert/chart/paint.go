package chart

import (
	"bytes"
	"fmt"
	"html"
	"image"
	"image/color"
	"math"
	"strings"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// A look is how one role is painted. Zero alpha paints nothing.
type look struct {
	fill, stroke color.NRGBA
	width        float64
}

type palette [numRoles]look

// The hues are those of Okabe and Ito, "Color universal design: how to make
// figures and presentations that are friendly to colorblind people", 2008 (from
// memory), which the common kinds of colour blindness leave apart. Shapes and
// dashes say the same once more.
const (
	orange     = 0xE69F00
	skyBlue    = 0x56B4E9
	green      = 0x009E73
	blue       = 0x0072B2
	vermillion = 0xC95500 // 0xD55E00, darker for 3 to 1 on the band
)

func rgb(hex uint32) color.NRGBA { return rgba(hex, 0xff) }

func rgba(hex uint32, alpha uint8) color.NRGBA {
	return color.NRGBA{R: uint8(hex >> 16), G: uint8(hex >> 8), B: uint8(hex), A: alpha}
}

// A base is what the two themes differ in.
type base struct {
	back, text, faint, grid, frame uint32
	dark                           color.NRGBA
	band                           uint8 // alpha of the ribbon
	warm, water, note              uint32
	envelope                       uint8 // alpha
}

func (b base) palette() palette {
	return palette{
		roleBack:      {fill: rgb(b.back)},
		roleDark:      {fill: b.dark},
		roleBand:      {fill: rgba(green, b.band), stroke: rgba(green, 0xa0), width: 0.8},
		roleGrid:      {stroke: rgb(b.grid), width: 1},
		roleFrame:     {stroke: rgb(b.frame), width: 1},
		roleWarm:      {stroke: rgb(b.warm), width: 1.8},
		roleWarmBy:    {fill: rgba(b.warm, b.envelope)},
		roleWater:     {stroke: rgb(b.water), width: 1.8},
		roleWaterBy:   {fill: rgba(b.water, b.envelope)},
		roleBeside:    {stroke: rgb(b.faint), width: 1},
		roleLethal:    {stroke: rgb(b.text), width: 2},
		roleFloor:     {stroke: rgb(b.text), width: 1.4},
		rolePulse:     {fill: rgb(b.water)},
		roleMissed:    {fill: rgb(b.back), stroke: rgb(b.text), width: 1.4},
		rolePulseLine: {stroke: rgba(b.water, 0x90), width: 1},
		roleWake:      {fill: rgb(b.warm), stroke: rgb(b.warm), width: 1},
		roleToday:     {fill: rgb(b.back), stroke: rgb(b.warm), width: 1.6},
		roleNote:      {fill: rgb(b.note), stroke: rgb(b.text), width: 1},
		roleText:      {fill: rgb(b.text)},
		roleFaint:     {fill: rgb(b.faint)},
		roleHalo:      {fill: rgb(b.text), stroke: rgba(b.back, 0xd0), width: 3},
	}
}

// light is also what is printed.
func light() palette {
	return base{
		back: 0xFFFFFF, text: 0x1B1F22, faint: 0x565E64, grid: 0xE2E5E7, frame: 0x8A9299,
		dark: rgba(0x1B2A49, 0x12), band: 0x26, warm: vermillion, water: blue, note: orange, envelope: 0x40,
	}.palette()
}

func dark() palette {
	return base{
		back: 0x171B1E, text: 0xEDEFF0, faint: 0xA9B2B8, grid: 0x2D3338, frame: 0x6B747B,
		dark: rgba(0x000000, 0x70), band: 0x50, warm: orange, water: skyBlue, note: 0xF0E442, envelope: 0x48,
	}.palette()
}

// SVG returns the chart as a complete SVG document, so wide in pixels. Every shape
// carries a class that the document's own sheet gives the theme's colours.
func (c Chart) SVG(width int) []byte {
	p := c.layout(width, 0)
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%[1]s" height="%[2]s" role="img" aria-label="%[3]s" font-family="system-ui,sans-serif">`,
		num(p.width), num(p.height), html.EscapeString(strings.TrimSpace(c.Title+". "+c.describe())))
	b.WriteString("<style>:root{color-scheme:light dark}" + light().sheet() + "@media (prefers-color-scheme:dark){" + dark().sheet() + "}</style>")
	for i := range p.shapes {
		writeShape(&b, &p.shapes[i])
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// sheet gives every class its look.
func (p palette) sheet() string {
	var b strings.Builder
	for r, l := range p {
		fmt.Fprintf(&b, ".%s{%s%sstroke-width:%s}", classOf[r], rule("fill", l.fill), rule("stroke", l.stroke), num(l.width))
	}
	return b.String()
}

// rule sets a colour. Opacity is a rule of its own: not every viewer reads colours of
// four parts.
func rule(name string, c color.NRGBA) string {
	if c.A == 0 {
		return name + ":none;"
	}
	return fmt.Sprintf("%s:#%02x%02x%02x;%s-opacity:%.2f;", name, c.R, c.G, c.B, name, float64(c.A)/255)
}

func writeShape(b *bytes.Buffer, s *shape) {
	if s.text != "" {
		writeText(b, s)
		return
	}
	fmt.Fprintf(b, `<path class="%s"`, classOf[s.role])
	if d := dashes[s.dash]; d[0] > 0 {
		fmt.Fprintf(b, ` stroke-dasharray="%s %s"`, num(d[0]), num(d[1]))
	}
	if !s.closed {
		b.WriteString(` stroke-linejoin="round"`)
	}
	b.WriteString(` d="`)
	for _, path := range s.paths {
		for i, q := range path {
			b.WriteString([...]string{"M", "L", " "}[min(i, 2)] + num(q.x) + " " + num(q.y))
		}
		if s.closed {
			b.WriteByte('Z')
		}
	}
	if s.title == "" {
		b.WriteString(`"/>`)
		return
	}
	fmt.Fprintf(b, `"><title>%s</title></path>`, html.EscapeString(s.title))
}

func writeText(b *bytes.Buffer, s *shape) {
	at := s.paths[0][0]
	fmt.Fprintf(b, `<text class="%s" x="%s" y="%s" font-size="%s"`, classOf[s.role], num(at.x), num(at.y), num(s.size))
	if s.role == roleHalo {
		b.WriteString(` paint-order="stroke" stroke-linejoin="round"`)
	}
	if s.align != left {
		fmt.Fprintf(b, ` text-anchor="%s"`, [...]string{"", "middle", "end"}[s.align])
	}
	if s.bold {
		b.WriteString(` font-weight="600"`)
	}
	fmt.Fprintf(b, ">%s</text>", html.EscapeString(s.text))
}

// Image draws the chart into memory, in the light colours. Its size is in pixels; no
// height is one that suits the width and the number of panels.
func (c Chart) Image(width, height int) (image.Image, error) {
	pal, p := light(), c.layout(width, height)
	cv := canvas{gg.NewContext(int(math.Ceil(p.width)), int(math.Ceil(p.height)))}
	cv.SetColor(pal[roleBack].fill)
	cv.Clear()
	for i := range p.shapes {
		s, l := &p.shapes[i], pal[p.shapes[i].role]
		if s.text == "" {
			cv.shape(s, l)
		} else if err := cv.text(s, l); err != nil {
			return nil, fmt.Errorf("draw the chart of %s: %w", c.Title, err)
		}
	}
	return cv.Image(), nil
}

// A canvas paints shapes onto an image.
type canvas struct{ *gg.Context }

// shape paints the paths of a shape as one: where they overlap they do not darken.
func (cv *canvas) shape(s *shape, l look) {
	for _, path := range s.paths {
		cv.NewSubPath()
		for _, q := range path {
			cv.LineTo(q.x, q.y)
		}
		if s.closed {
			cv.ClosePath()
		}
	}
	if s.closed && l.fill.A > 0 {
		cv.SetColor(l.fill)
		cv.FillPreserve()
	}
	if l.stroke.A > 0 {
		cv.SetColor(l.stroke)
		cv.SetLineWidth(l.width)
		cv.SetLineCapButt()
		cv.SetDash()
		if d := dashes[s.dash]; d[0] > 0 {
			cv.SetDash(d[0], d[1])
		}
		cv.StrokePreserve()
	}
	cv.ClearPath()
}

func (cv *canvas) text(s *shape, l look) error {
	ttf := goregular.TTF
	if s.bold {
		ttf = gobold.TTF
	}
	if err := cv.LoadFontFaceFromBytes(ttf, s.size); err != nil {
		return fmt.Errorf("scale the built-in font to %g: %w", s.size, err)
	}
	at, anchor := s.paths[0][0], float64(s.align)/2
	if l.stroke.A > 0 { // a halo, so that lines behind do not strike it through
		cv.SetColor(l.stroke)
		for _, by := range [...]pt{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			cv.DrawStringAnchored(s.text, at.x+by.x, at.y+by.y, anchor, 0)
		}
	}
	cv.SetColor(l.fill)
	cv.DrawStringAnchored(s.text, at.x, at.y, anchor, 0)
	return nil
}

// describe returns a sentence about the chart for those who cannot see it:
// the extremes of each panel's first series, and how many gaps it has.
func (c Chart) describe() string {
	text := ""
	for _, p := range c.Panels {
		p = p.in(c.Scale)
		if len(p.Series) == 0 || len(p.Series[0].Points) == 0 {
			text += fmt.Sprintf("%s: no readings. ", p.Name)
			continue
		}
		only := Panel{Series: p.Series[:1], scale: p.scale}
		low, high := only.extent()
		gaps := -1
		for _, q := range p.Series[0].Points {
			if q.Gap {
				gaps++
			}
		}
		text += fmt.Sprintf("%s %.1f to %.1f %s", p.Name, low, high, p.Unit)
		if gaps > 0 {
			text += fmt.Sprintf(", %d gaps", gaps)
		}
		text += ". "
	}
	return text
}
