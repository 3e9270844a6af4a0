package chart

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"strings"
)

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
			if i == 0 {
				b.WriteByte('M')
			} else if i == 1 {
				b.WriteByte('L')
			} else {
				b.WriteByte(' ')
			}
			b.WriteString(num(q.x))
			b.WriteByte(' ')
			b.WriteString(num(q.y))
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
