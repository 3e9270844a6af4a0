package store

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"dewline/sensors"
)

// start is when the invented rooms begin.
var start = time.Date(2026, 3, 4, 5, 6, 0, 0, time.UTC)

// A testRoom makes invented readings: lamps, mist pulses, a slow swing and
// sensor noise of 0.02 °C and 0.1 %RH, rounded to 0.01.
type testRoom struct {
	rng    *rand.Rand
	at     sensors.Instant
	step   time.Duration
	probes []sensors.ProbeID
	temp   []float64
	hum    []float64
	pulse  float64
}

func newRoom(seed uint64, probes int) *testRoom {
	r := &testRoom{rng: rand.New(rand.NewPCG(seed, 3)), at: sensors.Instant{Wall: start, Synced: true}, step: 10 * time.Second}
	for i := range probes {
		r.probes = append(r.probes, sensors.ProbeID(fmt.Sprintf("rack%d-shelf%d-litter%d", i/24, i/6%4, i%6)))
		r.temp = append(r.temp, 22+r.rng.Float64()*2)
		r.hum = append(r.hum, 78+r.rng.Float64()*8)
	}
	return r
}

// next returns one poll of all probes.
func (r *testRoom) next() []sensors.Reading {
	out := make([]sensors.Reading, len(r.probes))
	day := float64(r.at.Wall.UnixMilli()%86_400_000) / 3_600_000
	target := 22.3 + 0.6*math.Sin(day)
	if day > 8 && day < 20 {
		target += 3
	}
	if m := math.Mod(day, 6) * 3600; m > 1000 && m < 1040 {
		r.pulse += (16 - r.pulse) * 0.3
	}
	r.pulse -= r.pulse * 10 / 2700
	for i, p := range r.probes {
		r.temp[i] += (target - r.temp[i]) * 10 / 2400
		r.hum[i] += (80 - (r.temp[i]-22.3)*2 - r.hum[i]) * 10 / 3000
		raw := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity,
			Temperature: sensors.CelsiusOf(r.temp[i] + r.rng.NormFloat64()*0.02),
			Humidity:    sensors.PercentOf(r.hum[i] + r.pulse + r.rng.NormFloat64()*0.1)}
		out[i] = sensors.Reading{Probe: p, At: r.at.Add(time.Duration(i) * 13 * time.Millisecond), Has: raw.Has, Raw: raw,
			Temperature: raw.Temperature - 12, Humidity: raw.Humidity + 35, Quality: sensors.Good}
	}
	r.at = r.at.Add(r.step)
	return out
}

// fill runs the room for d with a flush a minute and returns what was appended.
func fill(t testing.TB, s *Store, r *testRoom, d time.Duration) map[sensors.ProbeID][]sensors.Reading {
	t.Helper()
	out := map[sensors.ProbeID][]sensors.Reading{}
	for end := r.at.Mono + d; r.at.Mono < end; {
		for range 6 {
			for _, x := range r.next() {
				s.Append(x)
				out[x.Probe] = append(out[x.Probe], x)
			}
		}
		if err := s.Flush(context.Background(), nil); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// memDir is a folder in memory where there is one with room for every test, which
// that of a container has not: most tests are about what is written and not about how
// long a disk takes.
func memDir(t testing.TB) string {
	t.Helper()
	const mem, enough = "/dev/shm", 1 << 30
	var fs unix.Statfs_t
	if err := unix.Statfs(mem, &fs); err != nil || fs.Bavail*uint64(fs.Bsize) < enough {
		return t.TempDir()
	}
	dir, err := os.MkdirTemp(mem, "dewline-store")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func open(t testing.TB, dir string) (*Store, Report) {
	t.Helper()
	s, rep, err := Open(context.Background(), Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	return s, rep
}

// readAll collects a probe's readings, failing on any error.
func readAll(t testing.TB, s *Store, p sensors.ProbeID, from, to time.Time) []sensors.Reading {
	t.Helper()
	var out []sensors.Reading
	for r, err := range s.Readings(context.Background(), p, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// same reports how two readings differ; stamps may differ by half a second.
func same(a, b sensors.Reading) bool {
	d := a.At.Wall.Sub(b.At.Wall).Abs()
	m := (a.At.Mono - b.At.Mono).Abs()
	a.At, b.At = sensors.Instant{Synced: a.At.Synced}, sensors.Instant{Synced: b.At.Synced}
	return a == b && d <= 500*time.Millisecond && m <= 250*time.Millisecond
}

func compare(t testing.TB, got, want []sensors.Reading) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d readings, want %d", len(got), len(want))
	}
	for i := range got {
		if !same(got[i], want[i]) {
			t.Fatalf("reading %d is\n%+v, want\n%+v", i, got[i], want[i])
		}
	}
}
