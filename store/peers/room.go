package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A point is one reading: temperature in hundredths of °C and humidity in
// hundredths of %RH.
type point struct {
	probe    int
	at       int64 // milliseconds since 1970 UTC
	temp, hu int32
}

const (
	probes      = 48
	stepMillis  = 10_000 // of the simulation, and the least between two readings
	batchMillis = 60_000 // a batch a minute
	hourMillis  = 3_600_000
	dayMillis   = 24 * hourMillis
)

// begin is where simulated time starts: the midnight that starts 2026-01-01 UTC.
var begin = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).UnixMilli()

// room yields batches of a minute or a poll, whichever is longer: lamps, a night
// drop, mist pulses, a slow swing of the room, and sensor noise of 0.02 °C and
// 0.1 %RH (one σ), rounded to the kind's step. All of it is invented. A batch is
// valid until the next.
func room(days int, k kind) iter.Seq[[]point] {
	return func(yield func([]point) bool) {
		every, stamps := k.Poll/stepMillis, newStamps(k)
		rng := rand.New(rand.NewPCG(7, 48))
		var temp, hum, wet [probes]float64
		for p := range probes {
			temp[p], hum[p] = 22+2*rng.Float64(), 78+8*rng.Float64()
		}
		var batch []point
		for step := range int64(days) * dayMillis / stepMillis {
			sec := float64(step) * 10
			hour := math.Mod(sec/3600, 24)
			target := 22.3 + 0.6*math.Sin(sec/7000)
			if hour > 8 && hour < 20 {
				target += 3
			}
			for p := range probes {
				temp[p] += (target - temp[p]) / 240
				if m := math.Mod(sec+float64(p)*60, 6*3600); m > 1000 && m < 1040 {
					wet[p] += (96 - hum[p] - wet[p]) * 0.3
				}
				wet[p] -= wet[p] / 270
				hum[p] += (80 - (temp[p]-22.3)*2 - hum[p]) / 300
				if step%every != 0 {
					continue
				}
				t, h := temp[p]+0.02*rng.NormFloat64(), min(hum[p]+wet[p]+0.1*rng.NormFloat64(), 100)
				if at, ok := stamps.next(p, begin+step*stepMillis); ok {
					batch = append(batch, point{p, at, k.hundredths(t), k.hundredths(h)})
				}
			}
			if (step+1)%(max(batchMillis, k.Poll)/stepMillis) == 0 {
				if !yield(batch) {
					return
				}
				batch = batch[:0]
			}
		}
	}
}

func hundredths(v float64) int32 { return int32(math.Round(v * 100)) }

// errNoData says that the open data is not there.
var errNoData = errors.New("the open data is not there")

// openData reads one of the open sets (see README.md for where they come from)
// as batches of 288 readings in order of time.
func openData(dir, set string) (iter.Seq[[]point], error) {
	files, err := filepath.Glob(filepath.Join(dir, set, "*"))
	if err != nil || len(files) == 0 {
		return nil, fmt.Errorf("%w: %s", errNoData, filepath.Join(dir, set))
	}
	var all []point
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			return nil, err
		}
		all, err = readSet(all, f, set)
		if err = errors.Join(err, f.Close()); err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
	}
	slices.SortStableFunc(all, func(a, b point) int {
		if a.at != b.at {
			return int(min(max(a.at-b.at, -1), 1))
		}
		return a.probe - b.probe
	})
	all = slices.CompactFunc(all, func(a, b point) bool { return a.at == b.at && a.probe == b.probe })
	return slices.Chunk(all, 288), nil
}

// columnsOf names the columns of a set: the time, and each probe's two.
func columnsOf(set string) (at string, pairs [][2]string) {
	if set == "occupancy" {
		return "date", [][2]string{{"Temperature", "Humidity"}}
	}
	for i := range 9 {
		n := strconv.Itoa(i + 1)
		pairs = append(pairs, [2]string{"T" + n, "RH_" + n})
	}
	return "date", pairs
}

func readSet(dst []point, r io.Reader, set string) ([]point, error) {
	rows := csv.NewReader(r)
	rows.FieldsPerRecord = -1
	head, err := rows.Read()
	if err != nil {
		return dst, err
	}
	at, pairs := columnsOf(set)
	for {
		row, err := rows.Read()
		if errors.Is(err, io.EOF) {
			return dst, nil
		}
		if err != nil {
			return dst, err
		}
		shift := len(row) - len(head) // the office's rows start with a number that has no heading
		field := func(name string) string {
			if i := slices.Index(head, name); i >= 0 && i+shift < len(row) {
				return row[i+shift]
			}
			return ""
		}
		when, err := time.Parse(time.DateTime, field(at))
		if err != nil {
			continue // a note, not a row
		}
		for p, pair := range pairs {
			t, terr := strconv.ParseFloat(strings.TrimSpace(field(pair[0])), 64)
			h, herr := strconv.ParseFloat(strings.TrimSpace(field(pair[1])), 64)
			if terr == nil && herr == nil {
				dst = append(dst, point{p, when.UnixMilli(), hundredths(t), hundredths(h)})
			}
		}
	}
}
