package climate

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"
)

// script asks the reference library psychrolib (MIT licence) about the points
// on its standard input.
const script = `
const p = require('psychrolib'); p.SetUnitSystem(p.SI);
const out = JSON.parse(require('fs').readFileSync(0, 'utf8')).map(([t, rh, pa]) => {
  const w = p.GetHumRatioFromRelHum(t, rh / 100, pa);
  return [p.GetSatVapPres(t), p.GetTDewPointFromRelHum(t, rh / 100), p.GetTWetBulbFromRelHum(t, rh / 100, pa), w, p.GetVaporPressureDeficit(t, w, pa)];
});
process.stdout.write(JSON.stringify(out));
`

// library returns a folder in which node finds psychrolib. It is fetched into
// the user's cache on request only:
//
//	DEWLINE_NPM=1 go test ./rules/climate -run Psychrolib -v
func library(t *testing.T) string {
	t.Helper()
	if _, err := exec.LookPath("node"); err != nil {
		t.Skip("node is not installed: nothing to compare with")
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Skip("no cache folder: ", err)
	}
	dir := filepath.Join(cache, "dewline-psychrolib")
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "psychrolib")); err == nil {
		return dir
	}
	if os.Getenv("DEWLINE_NPM") != "1" {
		t.Skip("psychrolib is not in " + dir + "; DEWLINE_NPM=1 fetches it there")
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "npm", "install", "--no-audit", "--no-fund", "--prefix", dir, "psychrolib@1.1.1")
	if text, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("npm install psychrolib: %v\n%s", err, text)
	}
	return dir
}

// A grid of 1,000 points against psychrolib, which is itself checked against
// the ASHRAE tables. Both use Hyland–Wexler; psychrolib stops its iterations at
// 0.001 °C.
func TestAgainstPsychrolib(t *testing.T) {
	dir := library(t)
	var points [][3]float64
	for i := range 20 {
		for j := range 10 {
			for k := range 5 {
				points = append(points, [3]float64{-15 + 3.5*float64(i), []float64{2, 10, 25, 40, 55, 70, 80, 90, 97, 100}[j], 80000 + 6000*float64(k)})
			}
		}
	}
	input, err := json.Marshal(points)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", script)
	cmd.Dir, cmd.Stdin = dir, bytes.NewReader(input)
	cmd.Stderr = os.Stderr
	output, err := cmd.Output()
	if err != nil {
		t.Fatalf("node: %v", err)
	}
	var want [][5]float64
	if err := json.Unmarshal(output, &want); err != nil || len(want) != 1000 {
		t.Fatalf("%d answers, %v", len(want), err)
	}
	var worst [5]float64
	for i, p := range points {
		var got [5]float64
		var errs [5]error
		got[0], errs[0] = SaturationPressure(p[0])
		got[1], errs[1] = DewPoint(p[0], p[1])
		got[2], errs[2] = WetBulb(p[0], p[1], p[2])
		got[3], errs[3] = HumidityRatio(p[0], p[1], p[2])
		got[4], errs[4] = VPD(p[0], p[1])
		for k := range got {
			if errs[k] != nil {
				t.Fatalf("%v: %v", p, errs[k])
			}
			d := math.Abs(got[k] - want[i][k])
			if k == 0 || k == 3 {
				d /= want[i][k]
			}
			worst[k] = max(worst[k], d)
		}
	}
	t.Logf("worst of 1,000: saturation %.1e (relative), dew point %.4f °C, wet bulb %.4f °C, humidity ratio %.1e (relative), VPD %.3f Pa",
		worst[0], worst[1], worst[2], worst[3], worst[4])
	limit := [5]float64{1e-6, 0.002, 0.003, 1e-6, 0.01}
	for k, name := range []string{"saturation pressure", "dew point", "wet bulb", "humidity ratio", "VPD"} {
		if worst[k] > limit[k] {
			t.Errorf("%s differs by up to %g, want at most %g", name, worst[k], limit[k])
		}
	}
}

// sharedData finds a file of open data beside the project, wherever the test
// runs from.
func sharedData(t *testing.T, name string) *os.File {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; ; dir = filepath.Dir(dir) {
		f, err := os.Open(filepath.Join(dir, "shared", "data", name))
		if err == nil {
			t.Cleanup(func() { f.Close() })
			return f
		}
		if dir == filepath.Dir(dir) {
			t.Skipf("open data shared/data/%s is not here", name)
		}
	}
}

// Twenty thousand rows of an office with their published humidity ratio:
// Candanedo and Feldheim, Energy and Buildings 112 (2016) 28–39, UCI DOI
// 10.24432/C5X01N. The authors name no formula and no pressure; sea level
// fits, and a wrong formula would be off by percents. Tolerance 0.02 % of the
// value for every row.
func TestHumidityRatioOfOpenData(t *testing.T) {
	for _, name := range []string{"datatraining.txt", "datatest.txt", "datatest2.txt"} {
		rows := csv.NewReader(sharedData(t, filepath.Join("occupancy", name)))
		rows.FieldsPerRecord = -1
		if _, err := rows.Read(); err != nil {
			t.Fatal(err)
		}
		var off []float64
		for {
			row, err := rows.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			temp, rh, want := number(t, row[2]), number(t, row[3]), number(t, row[6])
			got, err := HumidityRatio(temp, rh, StandardPressure)
			if err != nil {
				t.Fatalf("%v: %v", row, err)
			}
			off = append(off, math.Abs(got/want-1))
		}
		slices.Sort(off)
		n := len(off)
		t.Logf("%s: %d rows, median %.3f %%, worst %.3f %%", name, n, 100*off[n/2], 100*off[n-1])
		if n < 2000 || off[n-1] > 2e-4 {
			t.Errorf("%s: %d rows, median %.3f %%, worst %.3f %%", name, n, 100*off[n/2], 100*off[n-1])
		}
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// A real room against what followed: forecasts from the office's temperature
// alone, no lamps, no second probe, for limits above the present value. People,
// sun and radiators come and go, and half a degree is what they do all day, so
// this scores the trend and its ranges, not the model.
func TestForecastOnOpenData(t *testing.T) {
	rows := csv.NewReader(sharedData(t, filepath.Join("occupancy", "datatraining.txt")))
	rows.FieldsPerRecord = -1
	if _, err := rows.Read(); err != nil {
		t.Fatal(err)
	}
	all, err := rows.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	m := NewThermal(0)
	var tr Trend
	var at []time.Duration
	var temps []float64
	var peaks []Forecast
	var start time.Time
	for _, row := range all {
		when, err := time.Parse(time.DateTime, row[1])
		if err != nil {
			t.Fatal(err)
		}
		if start.IsZero() {
			start = when
		}
		now, temp := when.Sub(start), number(t, row[2])
		tr.Observe(now, temp)
		m.Observe(ThermalReading{At: now, Air: temp, Hour: float64(when.Hour()) + float64(when.Minute())/60})
		o := Outlook{At: now, Air: temp, Lethal: temp + 0.5}
		o.Trend, o.HasTrend = tr.Slope()
		f, _ := m.Forecast(o)
		at, temps, peaks = append(at, now), append(temps, temp), append(peaks, f)
	}
	// within returns how long it took to warm by half a degree, if it did.
	within := func(i int, most time.Duration) (time.Duration, bool) {
		for j := i; j < len(at) && at[j]-at[i] < most; j++ {
			if temps[j] >= temps[i]+0.5 {
				return at[j] - at[i], true
			}
		}
		return 0, false
	}
	told, inside, silent, urgent, vain := 0, 0, 0, 0, 0
	for i := range at {
		e := peaks[i].Lethal
		if e.Known && e.Mid < time.Hour {
			urgent++
			if _, ok := within(i, 3*time.Hour); !ok {
				vain++
			}
		}
		left, ok := within(i, 90*time.Minute)
		switch {
		case !ok || left < 20*time.Minute:
		case !e.Known:
			silent++
		default:
			told++
			if e.From <= left && left <= e.To {
				inside++
			}
		}
	}
	t.Logf("half a degree more within 20 to 90 min: %d told, %d of them inside of the range, %d not foreseen; within an hour told %d times, %d of them in vain",
		told, inside, silent, urgent, vain)
	if told < 300 || float64(inside) < 0.7*float64(told) || 3*vain > urgent {
		t.Error("want seven of ten told rises inside of the range, and at most a third of the urgent ones in vain")
	}
}
