package summary

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"slices"

	"dewline/alert/chart"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// A Picture is the week of one enclosure as a PNG.
type Picture struct {
	Name      string // "climate-1.png", unique within a summary
	Enclosure string // id
	Alt       string
	Width     int // in a reader's pixels
	PNG       []byte
}

// pictureSize suits the room: a mail of 48 enclosures has to stay small.
func pictureSize(enclosures int) (width, height, colours int) {
	if enclosures <= 24 {
		return 340, 215, 16
	}
	return 284, 160, 8
}

// Pictures draws one picture for each enclosure that was measured, in the
// reader's units.
func (r *Report) Pictures(u unit.Scale) ([]Picture, error) {
	var out []Picture
	width, height, colours := pictureSize(len(r.Enclosures))
	for i, e := range r.Enclosures {
		if e.Covered == 0 {
			continue
		}
		c := e.picture
		c.Scale = u
		p := Picture{
			Name: fmt.Sprintf("climate-%d.png", i+1), Enclosure: e.ID, Alt: e.Name + ": " + pictureWords(&e, u), Width: width,
		}
		img, err := c.Image(width, height)
		if err != nil {
			return nil, fmt.Errorf("draw the week of enclosure %s: %w", e.ID, err)
		}
		var b bytes.Buffer
		enc := png.Encoder{CompressionLevel: png.BestCompression}
		if err := enc.Encode(&b, few(img, colours)); err != nil {
			return nil, fmt.Errorf("draw the week of enclosure %s: %w", e.ID, err)
		}
		p.PNG = b.Bytes()
		out = append(out, p)
	}
	return out, nil
}

// inks are what a chart is drawn with, the most needed first: the lines and areas
// on white, and what the edges of its letters need.
var inks = [...]uint32{
	0xFFFFFF, 0x1B1F22, 0x0072B2, 0xC95500, 0xCCE4E0, 0xCBB08E, 0xEFF0F3, 0x888A8C,
	0x83C9B8, 0xE69F00, 0xDB8C52, 0xD9F1EB, 0x4C615E, 0xB1B6BB, 0xC5C9CC, 0xA3D6CA,
}

// few brings a picture down to some inks: mail has to stay small.
func few(img image.Image, colours int) image.Image {
	var palette color.Palette
	for _, ink := range inks[:colours] {
		palette = append(palette, color.NRGBA{uint8(ink >> 16), uint8(ink >> 8), uint8(ink), 0xff})
	}
	out := image.NewPaletted(img.Bounds(), palette)
	draw.Draw(out, out.Rect, img, image.Point{}, draw.Src)
	return out
}

// marks are what happened to the enclosure, for its picture.
func (b *builder) marks(e *Enclosure) []chart.Mark {
	var out []chart.Mark
	for _, at := range e.pulses {
		out = append(out, chart.Mark{At: at, Kind: chart.Pulse})
	}
	for _, at := range e.missed {
		out = append(out, chart.Mark{At: at, Kind: chart.MissedPulse})
	}
	for _, x := range slices.Concat(e.Excursions, e.Others) {
		if x.To.IsZero() {
			x.To = b.report.Until
		}
		switch x.Priority {
		case alarm.Wake:
			out = append(out, chart.Mark{At: x.From, Until: x.To, Kind: chart.Wake})
		case alarm.Today:
			out = append(out, chart.Mark{At: x.From, Until: x.To, Kind: chart.Today})
		}
	}
	for _, n := range e.Notes {
		out = append(out, chart.Mark{At: n.At, Kind: chart.Note})
	}
	return out
}
