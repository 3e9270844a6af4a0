package chart

import (
	"bytes"
	"encoding/csv"
	"image/color"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
)

// The open data are minute readings of an office room over a week with holes
// between the files: Candanedo and Feldheim, Energy and Buildings 112 (2016)
// 28-39, UCI DOI 10.24432/C5X01N.
const openData = "../../../shared/data/occupancy"

func TestChartOfOpenDataLeavesItsGaps(t *testing.T) {
	from, to := time.Date(2015, 2, 2, 0, 0, 0, 0, time.UTC), time.Date(2015, 2, 19, 0, 0, 0, 0, time.UTC)
	tg, hg := NewGather(from, to, 360, 30*time.Minute), NewGather(from, to, 360, 30*time.Minute)
	var times []time.Time
	for _, name := range []string{"datatest.txt", "datatraining.txt", "datatest2.txt"} { // in order of time
		f, err := os.Open(filepath.Join(openData, name))
		if err != nil {
			t.Skipf("no open data here: %v", err)
		}
		defer f.Close()
		r := csv.NewReader(f)
		r.FieldsPerRecord = -1
		rows, err := r.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			at, err := time.Parse("2006-01-02 15:04:05", row[1])
			if err != nil {
				t.Fatal(err)
			}
			c, errC := strconv.ParseFloat(row[2], 64)
			h, errH := strconv.ParseFloat(row[3], 64)
			if errC != nil || errH != nil {
				t.Fatal(row)
			}
			tg.Add(at, c)
			hg.Add(at, h)
			times = append(times, at)
		}
	}
	holes := 0
	for i := 1; i < len(times); i++ {
		if times[i].Sub(times[i-1]) > 30*time.Minute {
			holes++
		}
	}
	c := Chart{Title: "Office", From: from, To: to, Panels: []Panel{
		{Name: "Temperature", Unit: "°C", Least: 4, Series: []Series{{Points: tg.Points()}}},
		{Name: "Humidity", Unit: "%", Water: true, Least: 20, Ends: [2]float64{0, 100}, Series: []Series{{Points: hg.Points()}}},
	}}
	for i, p := range c.Panels {
		if got := len(p.Series[0].stretches()); got != holes+1 {
			t.Errorf("panel %d has %d stretches, the data %d holes", i, got, holes)
		}
	}
	// Extremes of the three files, by awk over the second and third column.
	low, high := c.Panels[0].extent()
	if low != 19 || high < 24.4 || high > 24.41 {
		t.Errorf("temperature from %g to %g, in the files from 19 to 24.4083", low, high)
	}
	if dir := os.Getenv("DEWLINE_SHOTS"); dir != "" {
		keep(t, c, filepath.Join(dir, "open-data"))
	}
	wellFormed(t, c.SVG(360))
}

func keep(t *testing.T, c Chart, path string) {
	t.Helper()
	var b bytes.Buffer
	if err := c.PNG(&b, 720, 0); err != nil {
		t.Fatal(err)
	}
	for ext, data := range map[string][]byte{".svg": c.SVG(720), ".png": b.Bytes()} {
		if err := os.WriteFile(path+ext, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestGather(t *testing.T) {
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	g := NewGather(from, from.Add(time.Hour), 6, 15*time.Minute)
	at := func(m float64) time.Time { return from.Add(time.Duration(m * float64(time.Minute))) }
	g.Add(at(-1), 99)         // before
	g.Add(at(60), 99)         // after
	g.Add(at(1), math.NaN())  // nothing
	g.Add(at(2), math.Inf(1)) // nothing
	g.Add(at(1), 20)
	g.Add(at(3), 22)
	g.Add(at(8), 21)
	g.AddSpread(at(10), at(20), 18, 21, 25, 60)
	g.Add(at(41), 23) // 21 minutes later: the line is open
	g.Add(at(55), 24) // 14 minutes later: it is not
	want := []Point{
		{at(4), 20, 21, 22, true}, {at(15), 18, 21, 25, false}, {at(41), 23, 23, 23, true}, {at(55), 24, 24, 24, false},
	}
	got := g.Points()
	if len(got) != len(want) {
		t.Fatalf("%d points %+v, want %d", len(got), got, len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("point %d: %+v, want %+v", i, got[i], want[i])
		}
	}
}

// A hole inside one bucket must not be bridged either.
func TestGatherSeesAHoleInsideABucket(t *testing.T) {
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	g := NewGather(from, from.Add(10*time.Hour), 10, 10*time.Minute)
	for m := range 600 {
		if m < 130 || m > 160 {
			g.Add(from.Add(time.Duration(m)*time.Minute), 20)
		}
	}
	gaps := 0
	for _, p := range g.Points()[1:] {
		if p.Gap {
			gaps++
		}
	}
	if gaps != 1 {
		t.Errorf("%d gaps, want the one of half an hour", gaps)
	}
}

func TestClimateStepsWithTheLamps(t *testing.T) {
	cfg, e := demoEnclosure(t, "Europe/Berlin")
	from := time.Date(2026, 3, 28, 0, 0, 0, 0, cfg.Room.Location)
	c := Climate(cfg, e, from, from.AddDate(0, 0, 2)) // the 29th has 23 hours
	sp := cfg.SpeciesFor(e)
	if len(c.Panels[0].Bands) != 5 || len(c.Dark) != 3 {
		t.Fatalf("%d bands and %d dark spans in two days", len(c.Panels[0].Bands), len(c.Dark))
	}
	for i, b := range c.Panels[0].Bands {
		band := sp.Night
		if i%2 == 1 {
			band = sp.Day
		}
		if b.Low != float64(band.Low) || b.High != float64(band.High) {
			t.Errorf("band %d is %g–%g", i, b.Low, b.High)
		}
	}
	if night := c.Dark[1]; night.To.Sub(night.From) != 11*time.Hour || night.From.Hour() != 20 || night.To.Hour() != 8 {
		t.Errorf("the night of the clock change: %s – %s", night.From, night.To)
	}
	if year := Climate(cfg, e, from, from.AddDate(1, 0, 0)); len(year.Panels[0].Bands) != 1 || len(year.Dark) != 0 {
		t.Errorf("a year has %d bands and %d dark spans", len(year.Panels[0].Bands), len(year.Dark))
	}
	tadpoles := e
	tadpoles.Stage = configs.Tadpole
	if w := Climate(cfg, tadpoles, from, from.AddDate(0, 0, 1)); len(w.Panels[1].Limits) != 0 {
		t.Error("water has a humidity floor")
	}
}

// The ribbon of a year follows a season, in and out a seventh of the way a day.
func TestClimateFollowsTheSeason(t *testing.T) {
	cfg, e := demoEnclosure(t, "Europe/Berlin")
	low := configs.Percent(63)
	cfg.Seasons = []configs.Season{{ID: "dry", From: 334, To: 30, Enclosures: []string{e.ID}, Floor: &low}} // 1 Dec to 31 Jan
	from := time.Date(2026, 7, 1, 0, 0, 0, 0, cfg.Room.Location)
	c := Climate(cfg, e, from, from.AddDate(1, 0, 0))
	bands := c.Panels[1].Bands
	if len(bands) != 15 || bands[0].Low != 70 || bands[7].Low != 63 || bands[14].Low != 70 || bands[7].To.Sub(bands[7].From) != 56*24*time.Hour {
		t.Errorf("%d bands: %v", len(bands), bands)
	}
	if len(c.Panels[0].Bands) != 1 || !bands[14].To.Equal(c.To) {
		t.Errorf("temperature %v", c.Panels[0].Bands)
	}
}

// Axes: everything is inside, ticks are round and apart.
func TestAxis(t *testing.T) {
	for _, c := range []struct{ low, high float64 }{{20, 24}, {19.99, 20.01}, {0, 100}, {-3, 41}, {72.4, 72.4}, {1e-9, 2e-9}} {
		p := Panel{Series: []Series{{Points: []Point{{Min: c.low, Mean: c.low, Max: c.low}, {Min: c.high, Mean: c.high, Max: c.high}}}}, Least: 0.001}
		a := p.axisOf(200, 10, 24)
		if a.low > c.low || a.high < c.high {
			t.Errorf("%g–%g: the axis goes from %g to %g", c.low, c.high, a.low, a.high)
		}
		if n := a.last - a.first + 1; n < 2 || n > 9 {
			t.Errorf("%g–%g: %d ticks", c.low, c.high, n)
		}
		mantissa := a.step / math.Pow(10, math.Floor(math.Log10(a.step)+1e-9))
		if m := math.Round(mantissa*1e6) / 1e6; m != 1 && m != 2 && m != 5 {
			t.Errorf("%g–%g: steps of %g", c.low, c.high, a.step)
		}
		if a.y(c.low) < a.y(c.high) || a.y(math.Inf(1)) < 10 || a.y(-1e300) > 200 {
			t.Errorf("%g–%g: values leave the plot", c.low, c.high)
		}
	}
}

func TestFahrenheit(t *testing.T) {
	c := invented(t, 1)
	plain := string(c.SVG(720))
	c.Scale = unit.Fahrenheit
	got := string(c.SVG(720))
	for _, want := range []string{">Temperature °F<", ">lethal limit 86<", ">75<", ">floor 70<", "Humidity 7"} { // 30 °C is 86 °F
		if !strings.Contains(got, want) {
			t.Errorf("no %q in °F", want)
		}
	}
	if strings.Contains(got, "°C") || strings.Contains(plain, "°F") {
		t.Error("one picture speaks in both units")
	}
	low := regexp.MustCompile(`aria-label="[^"]*Temperature ([0-9.]+) to`)
	c1, _ := strconv.ParseFloat(low.FindStringSubmatch(plain)[1], 64)
	f1, _ := strconv.ParseFloat(low.FindStringSubmatch(got)[1], 64)
	if math.Abs(c1*9/5+32-f1) > 0.2 {
		t.Errorf("the label says %g °C and %g °F", c1, f1)
	}
}

// Empty and broken charts must draw, not fail: a new room has no readings.
func TestOddCharts(t *testing.T) {
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	lone := []Point{{At: at.Add(time.Hour), Min: 20, Mean: 20, Max: 20, Gap: true}}
	broken := []Point{{At: at.Add(time.Hour), Min: math.NaN(), Mean: math.Inf(1), Max: 1e300}}
	for name, c := range map[string]Chart{
		"nothing":   {},
		"no time":   {From: at, To: at, Panels: []Panel{{Name: "x", Series: []Series{{Points: lone}}}}},
		"backwards": {From: at, To: at.Add(-time.Hour), Panels: []Panel{{Name: "x"}}},
		"lone":      {From: at, To: at.Add(day), Panels: []Panel{{Name: "x", Series: []Series{{Points: lone}}}}},
		"broken":    {From: at, To: at.Add(day), Panels: []Panel{{Name: "x", Series: []Series{{Points: broken}}}}},
		"many":      {From: at, To: at.Add(day), Panels: make([]Panel, 9)},
	} {
		for _, o := range [][2]int{{720, 0}, {1, 1}, {360, 20}, {200, 0}} {
			got := c.SVG(o[0])
			wellFormed(t, got)
			if bytes.Contains(got, []byte("NaN")) || bytes.Contains(got, []byte("Inf")) {
				t.Errorf("%s %v: numbers that are none", name, o)
			}
			if err := c.PNG(io.Discard, o[0], o[1]); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	lonely := Chart{From: at, To: at.Add(day), Panels: []Panel{{Name: "x", Series: []Series{{Points: lone}}}}}
	if !bytes.Contains(lonely.SVG(720), []byte(`class="w"`)) {
		t.Error("a lone reading is not drawn")
	}
}

// luminance is the relative luminance of WCAG 2.2.
func luminance(c color.NRGBA) float64 {
	part := func(v uint8) float64 {
		s := float64(v) / 255
		if s <= 0.04045 {
			return s / 12.92
		}
		return math.Pow((s+0.055)/1.055, 2.4)
	}
	return 0.2126*part(c.R) + 0.7152*part(c.G) + 0.0722*part(c.B)
}

func contrast(a, b color.NRGBA) float64 {
	x, y := luminance(a), luminance(b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// over lays a translucent colour on an opaque one.
func over(top, under color.NRGBA) color.NRGBA {
	mix := func(t, u uint8) uint8 { return uint8((int(t)*int(top.A) + int(u)*(255-int(top.A))) / 255) }
	return color.NRGBA{mix(top.R, under.R), mix(top.G, under.G), mix(top.B, under.B), 255}
}

// WCAG 2.2 asks for 4.5 to 1 for text (1.4.3) and 3 to 1 for what has to be
// seen in a graphic (1.4.11): on the plain ground, in the band and with the
// lamps off.
func TestContrast(t *testing.T) {
	for name, p := range map[string]palette{"light": light(), "dark": dark()} {
		back := p[roleBack].fill
		grounds := map[string]color.NRGBA{
			"ground": back, "lamps off": over(p[roleDark].fill, back), "band": over(p[roleBand].fill, back),
			"band with lamps off": over(p[roleBand].fill, over(p[roleDark].fill, back)),
		}
		for _, r := range []role{roleText, roleFaint} {
			if c := contrast(p[r].fill, back); c < 4.5 {
				t.Errorf("%s: text of role %d has %.1f", name, r, c)
			}
		}
		for what, g := range grounds {
			for _, r := range []role{roleWarm, roleWater, roleBeside, roleLethal, roleFloor} {
				if c := contrast(p[r].stroke, g); c < 3 {
					t.Errorf("%s: role %d on %s has %.2f", name, r, what, c)
				}
			}
		}
	}
}

// dichromat shows a colour as somebody without long (0), medium (1) or short
// (2) cones sees it: Machado, Oliveira and Fernandes 2009, IEEE TVCG 15:1291,
// severity 1 (from memory).
func dichromat(kind int, c color.NRGBA) [3]float64 {
	m := [3][9]float64{
		{0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998},
		{0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881},
		{1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900},
	}[kind]
	v := [3]float64{}
	for i, p := range [3]uint8{c.R, c.G, c.B} {
		v[i] = math.Pow(float64(p)/255, 2.2)
	}
	var out [3]float64
	for i := range out {
		s := m[3*i]*v[0] + m[3*i+1]*v[1] + m[3*i+2]*v[2]
		out[i] = 255 * math.Pow(min(max(s, 0), 1), 1/2.2)
	}
	return out
}

// Temperature, humidity and band stay apart for the three kinds of dichromacy.
func TestColoursSurviveColourBlindness(t *testing.T) {
	for name, p := range map[string]palette{"light": light(), "dark": dark()} {
		band := over(p[roleBand].fill, p[roleBack].fill)
		for kind := range 3 {
			pairs := [][2]color.NRGBA{{p[roleWarm].stroke, p[roleWater].stroke}, {p[roleWarm].stroke, band}, {p[roleWater].stroke, band}}
			for i, pair := range pairs {
				a, b := dichromat(kind, pair[0]), dichromat(kind, pair[1])
				d := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
				if d < 40 {
					t.Errorf("%s, kind %d: pair %d is %.0f apart", name, kind, i, d)
				}
			}
		}
	}
}

// go test ./alert/chart -bench . -benchmem
func BenchmarkSVG(b *testing.B) {
	c := invented(b, 7)
	for b.Loop() {
		b.ReportMetric(float64(len(c.SVG(360))), "bytes")
	}
}

func BenchmarkPNG(b *testing.B) {
	c := invented(b, 7)
	for b.Loop() {
		var buf bytes.Buffer
		if err := c.PNG(&buf, 560, 0); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(buf.Len()), "bytes")
	}
}
