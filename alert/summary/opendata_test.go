package summary

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline/configs/unit"
	"dewline/sensors"
)

// An openRow is one row of the open data.
type openRow struct {
	at   time.Time
	t, h float64
}

// openData reads a recorded office room, one row a minute with a gap: Candanedo
// and Feldheim, Energy and Buildings 112 (2016) 28, UCI DOI 10.24432/C5X01N.
func openData(t *testing.T) []openRow {
	t.Helper()
	var out []openRow
	for _, name := range []string{"datatraining.txt", "datatest2.txt"} {
		f, err := os.Open(filepath.Join("..", "..", "..", "shared", "data", "occupancy", name))
		if err != nil {
			t.Skipf("the open data is not here: %v", err)
		}
		rows := csv.NewReader(f)
		rows.FieldsPerRecord = -1
		all, err := rows.ReadAll()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range all[1:] {
			at, err1 := time.Parse(time.DateTime, r[1])
			c, err2 := strconv.ParseFloat(r[2], 64)
			h, err3 := strconv.ParseFloat(r[3], 64)
			if err1 != nil || err2 != nil || err3 != nil {
				t.Fatal(name, r)
			}
			out = append(out, openRow{at, c, h})
		}
	}
	slices.SortFunc(out, func(a, b openRow) int { return a.at.Compare(b.at) })
	return out
}

// TestOpenDataWeek compares the summary of a recorded week with sums over its
// rows done here, one by one.
func TestOpenDataWeek(t *testing.T) {
	rows := openData(t)
	r := newRig(t, "UTC", 1, rows[0].at)
	w, err := ParseWeek("2015-W07", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	var day, night []float64
	n, inBand := 0, 0
	for i, row := range rows {
		s := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: sensors.CelsiusOf(row.t), Humidity: sensors.PercentOf(row.h)}
		r.read(sensors.Reading{Probe: "p1", At: r.instant(row.at), Has: s.Has, Temperature: s.Temperature, Humidity: s.Humidity, Raw: s, Quality: sensors.Good})
		r.rules.Tick(r.instant(row.at))
		if i%500 == 0 {
			r.flush()
		}
		if row.at.Before(w.From()) || !row.at.Before(w.To()) {
			continue
		}
		n++
		c := s.Temperature.Celsius()
		if h := row.at.Hour(); h >= 8 && h < 20 {
			day = append(day, c)
			if c >= 22 && c <= 26 {
				inBand++
			}
		} else {
			night = append(night, c)
			if c >= 19 && c <= 22 {
				inBand++
			}
		}
	}
	r.flush()
	e := r.build("2015-W07", w.To().Add(time.Hour)).Enclosures[0]
	mean := func(xs []float64) float64 {
		sum := 0.0
		for _, x := range xs {
			sum += x
		}
		return sum / float64(len(xs))
	}
	// Rows come each minute; a minute or two at the edges of gaps is open.
	near(t, "missing minutes", &e.Missing, float64(7*24*60-n), 3)
	near(t, "share inside the band", e.InBand, float64(inBand)/float64(n), 0.001)
	near(t, "day's least", &e.Day.Temperature.Min, slices.Min(day), 0.001)
	near(t, "day's greatest", &e.Day.Temperature.Max, slices.Max(day), 0.001)
	near(t, "day's mean", &e.Day.Temperature.Mean, mean(day), 0.01)
	near(t, "night's least", &e.Figures.Night.Temperature.Min, slices.Min(night), 0.001)
	near(t, "night's greatest", &e.Figures.Night.Temperature.Max, slices.Max(night), 0.001)
	near(t, "night's mean", &e.Figures.Night.Temperature.Mean, mean(night), 0.01)
	near(t, "minutes below the floor", e.BelowMin, float64(n), 3) // an office is dry
	// The fall is that of the medians of the last two hours of lamps on and off.
	between := func(from, to time.Time) *float64 {
		var xs []float64
		for _, row := range rows {
			if within(row.at, from, to) {
				xs = append(xs, row.t)
			}
		}
		if len(xs) < 60 {
			return nil
		}
		return median(xs)
	}
	unknown := 0
	for _, night := range e.Nights {
		if night.Drop == nil {
			unknown++
			continue
		}
		eight := time.Date(night.Morning.Year(), night.Morning.Month(), night.Morning.Day(), 8, 0, 0, 0, time.UTC)
		on, off := between(eight.Add(-14*time.Hour), eight.Add(-12*time.Hour)), between(eight.Add(-2*time.Hour), eight)
		if on == nil || off == nil {
			t.Errorf("a drop of %v for a night that was not measured, %s", *night.Drop, eight)
			continue
		}
		near(t, "drop of the night to "+eight.Format("Monday"), night.Drop, *on-*off, 0.1)
	}
	// The gap lasts from Tuesday 09:33 to Wednesday 14:48: no drop can be told
	// for the night in it.
	if len(e.Nights) != 7 || unknown != 1 || e.Nights[2].Drop != nil {
		t.Errorf("nights %s", newTeller(unit.Celsius).say("nights", e))
	}
	if text := strings.Join(strings.Fields(r.build("2015-W07", w.To()).Text(unit.Celsius)), " "); !strings.Contains(text, "29 h") {
		t.Errorf("the gap of 29 h is not told:\n%s", text)
	}
}
