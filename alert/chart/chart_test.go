package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors/table"
)

// update rewrites the golden files: go test ./alert/chart -update
var update = flag.Bool("update", false, "write the golden files anew")

// demoEnclosure is one of the built-in room, in another time zone.
func demoEnclosure(t testing.TB, zone string) (*configs.Config, configs.Enclosure) {
	t.Helper()
	cfg, err := table.Decode("demo.toml", configs.Demo())
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Room.Location, err = time.LoadLocation(zone); err != nil {
		t.Fatal(err)
	}
	return cfg, cfg.Enclosures[0]
}

// invented returns a made-up climate: warm by day, misted twice, with a probe
// that was silent for 50 minutes.
func invented(t testing.TB, days int) Chart {
	t.Helper()
	cfg, e := demoEnclosure(t, "Europe/Berlin")
	from := time.Date(2026, 7, 14, 6, 0, 0, 0, cfg.Room.Location)
	to := from.AddDate(0, 0, days)
	c := Climate(cfg, e, from, to)
	temp, hum := NewGather(from, to, 240, 15*time.Minute), NewGather(from, to, 240, 15*time.Minute)
	litter := NewGather(from, to, 240, 15*time.Minute)
	lamps, _ := cfg.LampsOf(e)
	warm := 0.0
	for at := from; at.Before(to); at = at.Add(time.Minute) {
		h := at.Sub(from).Hours()
		target := 0.0
		if lamps.IsOn(at, cfg.Room.Location) {
			target = 3
		}
		warm += (target - warm) / 100
		sinceMist := math.Mod(h+10, 12) // misted at 08:00 and 20:00
		wobble := 0.25 * math.Sin(h*11)
		if math.Mod(h, 24) > 9 && math.Mod(h, 24) < 9.0+50.0/60 {
			continue
		}
		temp.Add(at, 21.5+warm+wobble)
		litter.Add(at, 21+0.6*warm)
		hum.Add(at, min(78+20*math.Exp(-sinceMist/2.5)+2*wobble, 100))
	}
	c.Panels[0].Series = []Series{{Name: "canopy", Points: temp.Points()}, {Name: "litter", Points: litter.Points()}}
	c.Panels[1].Series = []Series{{Name: "canopy", Points: hum.Points()}}
	c.Marks = []Mark{
		{At: from.Add(2 * time.Hour), Kind: Pulse, Text: "mist 08:00"},
		{At: from.Add(14 * time.Hour), Kind: MissedPulse, Text: "no mist at 20:00"},
		{At: from.Add(8 * time.Hour), Until: from.Add(10 * time.Hour), Kind: Today, Text: "above the band <b>"},
		{At: from.Add(11 * time.Hour), Until: from.Add(12 * time.Hour), Kind: Wake, Text: "lethal limit ahead"},
		{At: from.Add(5 * time.Hour), Kind: Note, Text: "fed"},
	}
	return c
}

func TestGoldenSVG(t *testing.T) {
	for _, g := range []struct {
		file        string
		days, width int
	}{
		{"day-360.svg", 1, 360},
		{"day-720.svg", 1, 720},
		{"week-720.svg", 7, 720},
		{"year-360.svg", 365, 360},
	} {
		t.Run(g.file, func(t *testing.T) {
			got := invented(t, g.days).SVG(g.width)
			wellFormed(t, got)
			path := filepath.Join("testdata", g.file)
			if *update {
				if err := os.WriteFile(path, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("the chart differs from %s; look at both, then run go test ./alert/chart -update", path)
			}
		})
	}
}

// wellFormed checks that every element is closed and nothing is no XML.
func wellFormed(t *testing.T, doc []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(doc))
	for {
		_, err := d.Token()
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatalf("no well-formed SVG: %v", err)
		}
	}
}

// Font renderers differ in the last bit between processors, so pictures are
// compared with a tolerance: few pixels may be off by more than a little.
func TestGoldenPNG(t *testing.T) {
	c := invented(t, 1)
	for file, size := range map[string][2]int{
		"day-560.png": {560, 360},
		"day-360.png": {360, 0},
	} {
		t.Run(file, func(t *testing.T) {
			var b bytes.Buffer
			if err := c.PNG(&b, size[0], size[1]); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join("testdata", file)
			if *update {
				if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			got, err := png.Decode(&b)
			if err != nil {
				t.Fatal(err)
			}
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			want, err := png.Decode(f)
			if err != nil {
				t.Fatal(err)
			}
			if off := differing(t, got, want); off > 0.002 {
				t.Errorf("%.2f %% of the pixels differ from %s", off*100, path)
			}
		})
	}
}

// differing returns the share of pixels with a channel off by more than 24 of
// 255.
func differing(t *testing.T, a, b image.Image) float64 {
	t.Helper()
	if a.Bounds() != b.Bounds() {
		t.Fatalf("sizes differ: %v and %v", a.Bounds(), b.Bounds())
	}
	off, n := 0, 0
	for y := a.Bounds().Min.Y; y < a.Bounds().Max.Y; y++ {
		for x := a.Bounds().Min.X; x < a.Bounds().Max.X; x++ {
			n++
			r0, g0, b0, _ := a.At(x, y).RGBA()
			r1, g1, b1, _ := b.At(x, y).RGBA()
			for _, d := range []int{int(r0) - int(r1), int(g0) - int(g1), int(b0) - int(b1)} {
				if d > 24<<8 || d < -24<<8 {
					off++
					break
				}
			}
		}
	}
	return float64(off) / float64(n)
}

func TestTextIsEscaped(t *testing.T) {
	c := invented(t, 1)
	c.Title = `"><script>alert(1)</script>`
	c.Panels[0].Series[0].Name = `<img src=x>`
	c.Marks[0].Text = `</title><script>`
	got := c.SVG(720)
	wellFormed(t, got)
	for _, bad := range []string{"<script", "<img"} {
		if bytes.Contains(got, []byte(bad)) {
			t.Errorf("%s is in the document as it was given", bad)
		}
	}
}

// PNG writes the chart as the summary's mail does.
func (c Chart) PNG(w io.Writer, width, height int) error {
	img, err := c.Image(width, height)
	if err != nil {
		return err
	}
	return png.Encode(w, img)
}
