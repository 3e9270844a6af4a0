package chart

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"strings"
)

// SVG returns the chart as a complete SVG document, so wide in pixels. Every shape carries its
// light colour as an attribute, for viewers without style sheets, and a class
// that the document's own sheet gives the theme's colour.
func (c Chart) SVG(width int) []byte {
	p := c.layout(width, 0)
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%[1]s" height="%[2]s" role="img" aria-label="%[3]s" font-family="system-ui,sans-serif">`,
		num(p.width), num(p.height), html.EscapeString(strings.TrimSpace(c.Title+". "+c.describe())))
	base := light()
	b.WriteString("<style>" + darkSheet() + "</style>")
	for i := range p.shapes {
		writeShape(&b, &p.shapes[i], &base)
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// darkSheet gives every class its dark look where the reader prefers that.
func darkSheet() string {
	var b strings.Builder
	b.WriteString(":root{color-scheme:light dark}@media (prefers-color-scheme:dark){")
	for r, l := range dark() {
		fmt.Fprintf(&b, ".%s{", classOf[r])
		rule(&b, "fill", l.fill)
		rule(&b, "stroke", l.stroke)
		b.WriteByte('}')
	}
	b.WriteByte('}')
	return b.String()
}

// rule sets a colour and its opacity, which would else stay that of the
// attribute.
func rule(b *strings.Builder, name string, c color.NRGBA) {
	if c.A > 0 {
		fmt.Fprintf(b, "%s:#%02x%02x%02x;%s-opacity:%.2f;", name, c.R, c.G, c.B, name, float64(c.A)/255)
	}
}

// paint writes the attributes of a look. Opacity has an attribute of its own:
// not every viewer reads colours of four parts.
func paint(b *bytes.Buffer, l look) {
	one := func(name string, c color.NRGBA) {
		if c.A == 0 {
			fmt.Fprintf(b, ` %s="none"`, name)
			return
		}
		fmt.Fprintf(b, ` %s="#%02x%02x%02x"`, name, c.R, c.G, c.B)
		if c.A != 0xff {
			fmt.Fprintf(b, ` %s-opacity="%.2f"`, name, float64(c.A)/255)
		}
	}
	one("fill", l.fill)
	if l.stroke.A > 0 {
		one("stroke", l.stroke)
		fmt.Fprintf(b, ` stroke-width="%s"`, num(l.width))
	}
}

func writeShape(b *bytes.Buffer, s *shape, pal *palette) {
	l := pal[s.role]
	if s.text != "" {
		writeText(b, s, l)
		return
	}
	fmt.Fprintf(b, `<path class="%s"`, classOf[s.role])
	paint(b, l)
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

func writeText(b *bytes.Buffer, s *shape, l look) {
	at := s.paths[0][0]
	fmt.Fprintf(b, `<text class="%s" x="%s" y="%s" font-size="%s"`, classOf[s.role], num(at.x), num(at.y), num(s.size))
	paint(b, l)
	if l.stroke.A > 0 {
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
