package chart

import (
	"fmt"
	"image"
	"math"

	"git.sr.ht/~sbinet/gg"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
)

// Image draws the chart into memory, in the light colours. Its size is in pixels; no
// height is one that suits the width and the number of panels.
func (c Chart) Image(width, height int) (*image.NRGBA, error) {
	pal, p := light(), c.layout(width, height)
	cv := canvas{Context: gg.NewContext(int(math.Ceil(p.width)), int(math.Ceil(p.height))), faces: map[faceKey]font.Face{}}
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
	// The ground is opaque, so both forms hold the same numbers.
	img := cv.Image().(*image.RGBA)
	return &image.NRGBA{Pix: img.Pix, Stride: img.Stride, Rect: img.Rect}, nil
}

// A canvas paints shapes onto an image.
type canvas struct {
	*gg.Context
	faces map[faceKey]font.Face
}

type faceKey struct {
	bold bool
	size float64
}

func (cv *canvas) face(key faceKey) (font.Face, error) {
	if f := cv.faces[key]; f != nil {
		return f, nil
	}
	ttf := goregular.TTF
	if key.bold {
		ttf = gobold.TTF
	}
	of, err := opentype.Parse(ttf)
	if err != nil {
		return nil, fmt.Errorf("read the built-in font: %w", err)
	}
	f, err := opentype.NewFace(of, &opentype.FaceOptions{Size: key.size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil, fmt.Errorf("scale the built-in font to %g: %w", key.size, err)
	}
	cv.faces[key] = f
	return f, nil
}

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
	f, err := cv.face(faceKey{s.bold, s.size})
	if err != nil {
		return err
	}
	cv.SetFontFace(f)
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
