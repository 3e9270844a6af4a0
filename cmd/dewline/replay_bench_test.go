package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/sensors"
	"dewline/sensors/trace"
)

// rack is an invented record of calm days, every 10 s: lamps, a mist morning
// and evening that dries within hours, and the noise of a probe's last digits.
func rack(tb testing.TB, probes, polls int) []byte {
	tb.Helper()
	var b bytes.Buffer
	w := trace.NewWriter(&b)
	rng := rand.New(rand.NewPCG(1, 2))
	lamps := 0.0
	for i := range polls {
		at := time.Date(2026, 5, 1, 6, 0, 0, 0, time.UTC).Add(time.Duration(i) * 10 * time.Second)
		hour := math.Mod(at.Sub(at.Truncate(24*time.Hour)).Hours(), 24)
		if on := hour >= 8 && hour < 20; on {
			lamps += (1 - lamps) / 360
		} else {
			lamps -= lamps / 360
		}
		for p := range probes {
			t := 21.2 + 2.8*lamps + 0.02*float64(p%11) + rng.NormFloat64()*0.02
			h := 84 - 3*lamps + 0.1*float64(p%13) + rng.NormFloat64()*0.1
			for _, mist := range [...]float64{8, 20} {
				if m := (hour - mist) * 60; m >= 0 && m < 240 {
					h += (97 - h) * min(m/3, 1) * math.Exp(-max(m-3, 0)/35)
				}
			}
			row := trace.Row{Time: at, Probe: sensors.ProbeID(fmt.Sprintf("p%02d", p)), Has: sensors.HasTemperature | sensors.HasHumidity,
				Temperature: sensors.CelsiusOf(t), Humidity: sensors.PercentOf(min(h, 100))}
			if err := w.Write(row); err != nil {
				tb.Fatal(err)
			}
		}
	}
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	return b.Bytes()
}

// A day of 48 probes through trace, judge and rules. A year holds 151,372,800
// readings; "year-s" is what it would take at this rate:
//
//	go test -run '^$' -bench Replay ./cmd/dewline
func BenchmarkReplay(b *testing.B) {
	file := rack(b, 48, 8640)
	rows := bytes.Count(file, []byte{'\n'}) - 1
	room := oneEach{species: "dendrobates-tinctorius", lights: "08:00-20:00", mist: "08:00,20:00", timezone: "UTC"}
	b.ReportAllocs()
	for b.Loop() {
		cfg, err := room.config([]sensors.ProbeID{"probe"})
		if err != nil {
			b.Fatal(err)
		}
		r := replay{cfg: cfg, replayFlags: replayFlags{oneEach: room, format: "ndjson", file: "rack"}, out: bufio.NewWriter(io.Discard), err: io.Discard}
		if err := r.run(context.Background(), bytes.NewReader(file)); err != nil {
			b.Fatal(err)
		}
	}
	const year = 365 * 8640 * 48
	perRow := b.Elapsed().Seconds() / float64(b.N) / float64(rows)
	b.ReportMetric(1/perRow/1e6, "Mrows/s")
	b.ReportMetric(perRow*year, "year-s")
}
