package summary

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"time"

	"dewline/alert/chart"
	"dewline/configs/unit"
	"dewline/rules"
)

// A Picture is the week of one enclosure as a PNG.
type Picture struct {
	Name          string // "climate-1.png", unique within a summary
	Enclosure     string // id
	Alt           string
	Width, Height int // in a reader's pixels
	PNG           []byte
}

// pictureBudget is how many bytes all pictures of one summary may have; mail
// makes a third more of them.
const pictureBudget = 165_000

// pictureSize suits the room: a mail of 48 enclosures has to stay small.
func pictureSize(enclosures int) (width, height int) {
	if enclosures <= 24 {
		return 340, 215
	}
	return 284, 160
}

// Pictures draws one picture for each enclosure that was measured, in the
// reader's units, with as many colours as the budget allows.
func (r *Report) Pictures(u unit.Scale) (pics []Picture, err error) {
	for _, colours := range []int{16, 12, 10, 8, 6} {
		size := 0
		if pics, err = r.pictures(u, colours); err != nil {
			return nil, err
		}
		for i := range pics {
			size += len(pics[i].PNG)
		}
		if size <= pictureBudget {
			break
		}
	}
	return pics, nil
}

func (r *Report) pictures(u unit.Scale, colours int) ([]Picture, error) {
	var out []Picture
	width, height := pictureSize(len(r.Enclosures))
	for i := range r.Enclosures {
		e := &r.Enclosures[i]
		if e.Covered == 0 {
			continue
		}
		c := e.picture
		if u == unit.Fahrenheit {
			c = c.InFahrenheit()
		}
		p := Picture{
			Name: fmt.Sprintf("climate-%d.png", i+1), Enclosure: e.ID, Alt: e.Name + ": " + inUnits(pictureWords(e), u),
			Width: width, Height: height,
		}
		img, err := c.Image(chart.Options{Width: p.Width, Height: p.Height})
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

// few brings a picture down to some colours: a chart has few but for the edges
// of its letters, and mail has to stay small.
func few(img *image.NRGBA, colours int) image.Image {
	counts := map[color.NRGBA]int{}
	for i := 0; i+3 < len(img.Pix); i += 4 {
		counts[color.NRGBA{img.Pix[i], img.Pix[i+1], img.Pix[i+2], img.Pix[i+3]}]++
	}
	palette := pickColours(counts, colours)
	out := image.NewPaletted(img.Bounds(), palette)
	index := map[color.NRGBA]uint8{}
	for c := range counts {
		index[c] = uint8(palette.Index(c))
	}
	b := img.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			out.SetColorIndex(x, y, index[img.NRGBAAt(x, y)])
		}
	}
	return out
}

// pickColours takes, one after the other, the colour whose pixels are worst
// served by those taken so far.
func pickColours(counts map[color.NRGBA]int, n int) color.Palette {
	type ink struct {
		c    color.NRGBA
		n    float64
		dist float64
	}
	inks := make([]ink, 0, len(counts))
	for c, k := range counts {
		inks = append(inks, ink{c, math.Sqrt(float64(k)), 1e12}) // or the ribbon's shades would take all
	}
	var out color.Palette
	for len(out) < n {
		best := -1
		for i, k := range inks {
			if k.dist == 0 {
				continue
			}
			if best < 0 || k.n*k.dist > inks[best].n*inks[best].dist || k.n*k.dist == inks[best].n*inks[best].dist && less(k.c, inks[best].c) {
				best = i
			}
		}
		if best < 0 {
			break
		}
		c := inks[best].c
		out = append(out, c)
		for i := range inks {
			inks[i].dist = min(inks[i].dist, apart(inks[i].c, c))
		}
	}
	return out
}

func less(a, b color.NRGBA) bool {
	return uint32(a.R)<<16|uint32(a.G)<<8|uint32(a.B) < uint32(b.R)<<16|uint32(b.G)<<8|uint32(b.B)
}

// apart is the squared distance of two colours.
func apart(a, b color.NRGBA) float64 {
	d := func(x, y uint8) float64 { return (float64(x) - float64(y)) * (float64(x) - float64(y)) }
	return d(a.R, b.R) + d(a.G, b.G) + d(a.B, b.B) + d(a.A, b.A)
}

// shortAlarm is the shortest bar that a mark is drawn with.
const shortAlarm = time.Minute

// marks are what happened to the enclosure, for its picture.
func (b measurer) marks(e *Enclosure) []chart.Mark {
	var out []chart.Mark
	for _, at := range e.pulses {
		out = append(out, chart.Mark{At: at, Kind: chart.Pulse, Text: "mist pulse"})
	}
	for _, at := range e.missed {
		out = append(out, chart.Mark{At: at, Kind: chart.MissedPulse, Text: "mist pulse missed"})
	}
	for _, some := range [][]Excursion{e.Excursions, e.Others} {
		for i := range some {
			x := &some[i]
			kind := chart.Today
			if x.Priority == rules.Wake {
				kind = chart.Wake
			}
			if x.Priority == rules.Note {
				continue
			}
			until := x.To
			if until.IsZero() {
				until = b.report.Until
			}
			if until.Sub(x.From) < shortAlarm {
				until = time.Time{}
			}
			out = append(out, chart.Mark{At: x.From, Until: until, Kind: kind, Text: what(x.Alarm)})
		}
	}
	for _, n := range e.Notes {
		out = append(out, chart.Mark{At: n.At, Kind: chart.Note, Text: n.Text})
	}
	return out
}
