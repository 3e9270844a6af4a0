package chart

import (
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Image draws the chart into memory, in the light colours.
func (c Chart) Image(o Options) (*image.NRGBA, error) {
	pal := light()
	p := c.layout(o)
	cv := canvas{img: image.NewRGBA(image.Rect(0, 0, int(math.Ceil(p.width)), int(math.Ceil(p.height))))}
	draw.Draw(cv.img, cv.img.Rect, image.NewUniform(pal[roleBack].fill), image.Point{}, draw.Src)
	if err := cv.loadFonts(); err != nil {
		return nil, fmt.Errorf("draw the chart of %s: %w", c.Title, err)
	}
	for i := range p.shapes {
		if err := cv.draw(&p.shapes[i], pal[p.shapes[i].role]); err != nil {
			return nil, fmt.Errorf("draw the chart of %s: %w", c.Title, err)
		}
	}
	// The ground is opaque, so both forms hold the same numbers.
	return &image.NRGBA{Pix: cv.img.Pix, Stride: cv.img.Stride, Rect: cv.img.Rect}, nil
}

// A canvas paints shapes onto an image.
type canvas struct {
	img           *image.RGBA // for which the rasterizer is fast
	regular, bold *opentype.Font
	faces         map[faceKey]font.Face
}

type faceKey struct {
	bold bool
	size float64
}

func (cv *canvas) loadFonts() (err error) {
	if cv.regular, err = opentype.Parse(goregular.TTF); err != nil {
		return fmt.Errorf("read the built-in font: %w", err)
	}
	if cv.bold, err = opentype.Parse(gobold.TTF); err != nil {
		return fmt.Errorf("read the built-in bold font: %w", err)
	}
	cv.faces = map[faceKey]font.Face{}
	return nil
}

func (cv *canvas) face(bold bool, size float64) (font.Face, error) {
	key := faceKey{bold, size}
	if f := cv.faces[key]; f != nil {
		return f, nil
	}
	of := cv.regular
	if bold {
		of = cv.bold
	}
	f, err := opentype.NewFace(of, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		return nil, fmt.Errorf("scale the built-in font to %g: %w", size, err)
	}
	cv.faces[key] = f
	return f, nil
}

func (cv *canvas) draw(s *shape, l look) error {
	if s.text != "" {
		return cv.text(s, l)
	}
	if l.fill.A > 0 && s.closed {
		cv.fill(s.paths, l.fill)
	}
	if l.stroke.A > 0 {
		cv.fill(strokes(s, l.width), l.stroke)
	}
	return nil
}

func (cv *canvas) text(s *shape, l look) error {
	f, err := cv.face(s.bold, s.size)
	if err != nil {
		return err
	}
	d := font.Drawer{Dst: cv.img, Src: image.NewUniform(l.fill), Face: f}
	x := fixed.Int26_6(s.paths[0][0].x * 64)
	switch s.align {
	case middle:
		x -= d.MeasureString(s.text) / 2
	case right:
		x -= d.MeasureString(s.text)
	}
	y := fixed.Int26_6(s.paths[0][0].y * 64)
	if l.stroke.A > 0 { // a halo, so that lines behind do not strike it through
		d.Src = image.NewUniform(l.stroke)
		off := fixed.I(1)
		for _, by := range [...]fixed.Point26_6{{X: off}, {X: -off}, {Y: off}, {Y: -off}} {
			d.Dot = fixed.Point26_6{X: x + by.X, Y: y + by.Y}
			d.DrawString(s.text)
		}
		d.Src = image.NewUniform(l.fill)
	}
	d.Dot = fixed.Point26_6{X: x, Y: y}
	d.DrawString(s.text)
	return nil
}

// fill paints polygons, as one: where they overlap they do not darken.
func (cv *canvas) fill(paths [][]pt, c color.NRGBA) {
	box := cv.bounds(paths)
	if box.Empty() {
		return
	}
	r := vector.NewRasterizer(box.Dx(), box.Dy())
	r.DrawOp = draw.Over
	for _, path := range paths {
		for i, q := range path {
			x, y := float32(q.x-float64(box.Min.X)), float32(q.y-float64(box.Min.Y))
			if i == 0 {
				r.MoveTo(x, y)
			} else {
				r.LineTo(x, y)
			}
		}
		r.ClosePath()
	}
	r.Draw(cv.img, box, image.NewUniform(c), image.Point{})
}

func (cv *canvas) bounds(paths [][]pt) image.Rectangle {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, path := range paths {
		for _, q := range path {
			x0, y0, x1, y1 = min(x0, q.x), min(y0, q.y), max(x1, q.x), max(y1, q.y)
		}
	}
	if x0 > x1 {
		return image.Rectangle{}
	}
	px := func(v float64) int { return int(math.Floor(v)) }
	return image.Rect(px(x0), px(y0), px(x1)+1, px(y1)+1).Intersect(cv.img.Bounds())
}
