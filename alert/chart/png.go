package chart

import (
	"fmt"
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

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
		for i, q := range path {
			if i == 0 {
				cv.MoveTo(q.x, q.y)
			} else {
				cv.LineTo(q.x, q.y)
			}
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
