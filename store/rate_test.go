package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"runtime/metrics"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A busyRoom polls its probes in turn, each at its own fixed distance. The value of
// reading n of probe i follows from both, and that of probe 0 never changes.
type busyRoom struct {
	probes []sensors.ProbeID
	step   time.Duration
}

func newBusyRoom(probes int, step time.Duration) *busyRoom {
	r := &busyRoom{step: step}
	for i := range probes {
		r.probes = append(r.probes, sensors.ProbeID(fmt.Sprintf("probe-%d", i)))
	}
	return r
}

func (r *busyRoom) reading(i, n int) sensors.Reading {
	raw := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity, Temperature: 2200, Humidity: 8000}
	if i > 0 {
		raw.Temperature += sensors.CentiCelsius((n/7 + i) % 300)
		raw.Humidity += sensors.CentiPercent(n % 11)
	}
	at := time.Duration(n) * r.step
	return sensors.Reading{Probe: r.probes[i], At: sensors.Instant{Mono: at, Wall: start.Add(at), Synced: true},
		Has: raw.Has, Raw: raw, Temperature: raw.Temperature, Humidity: raw.Humidity, Quality: sensors.Good}
}

// run appends rounds with a flush a minute, and returns the most readings that were
// open at any time.
func (r *busyRoom) run(t *testing.T, s *Store, rounds int) (most int) {
	t.Helper()
	var flushed time.Duration
	for n := range rounds {
		for i := range r.probes {
			s.Append(r.reading(i, n))
		}
		if at := time.Duration(n+1) * r.step; at-flushed >= time.Minute || n == rounds-1 {
			flushed = at
			most = max(most, s.Stats().OpenReadings)
			if err := s.Flush(context.Background(), nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	return most
}

// check asks for every reading, and for the sums of every hour, of some probes.
func (r *busyRoom) check(t *testing.T, s *Store, rounds int) {
	t.Helper()
	for i := 0; i < len(r.probes); i += max(1, len(r.probes)/7) {
		n := 0
		for got, err := range s.Readings(context.Background(), r.probes[i], time.Time{}, start.AddDate(1, 0, 0)) {
			if err != nil {
				t.Fatal(err)
			}
			if want := r.reading(i, n); !same(got, want) {
				t.Fatalf("reading %d is\n%+v, want\n%+v", n, got, want)
			}
			n++
		}
		if n != rounds {
			t.Errorf("probe %d has %d readings, want %d", i, n, rounds)
		}
		for _, level := range []Level{TenMinutes, Hour} {
			r.checkSums(t, s, i, level, rounds)
		}
	}
}

func (r *busyRoom) checkSums(t *testing.T, s *Store, i int, level Level, rounds int) {
	t.Helper()
	type sums struct{ n, t, low, high int }
	want := map[time.Time]*sums{}
	for n := range rounds {
		x := r.reading(i, n)
		at, v := x.At.Wall.Truncate(level.Span()), int(x.Temperature)
		w := want[at]
		if w == nil {
			w = &sums{low: v, high: v}
			want[at] = w
		}
		w.n, w.t, w.low, w.high = w.n+1, w.t+v, min(w.low, v), max(w.high, v)
	}
	for got, err := range s.Rollups(context.Background(), r.probes[i], level, time.Time{}, start.AddDate(1, 0, 0)) {
		if err != nil {
			t.Fatal(err)
		}
		w := want[got.Start]
		if w == nil {
			t.Errorf("probe %d: sums of %v twice or of no reading", i, got.Start)
			continue
		}
		delete(want, got.Start)
		// A mean of means that were rounded once is off by one at most.
		mean := float64(w.t) / float64(w.n)
		if d := float64(got.Temperature.Mean) - mean; got.Count != w.n || int(got.Temperature.Min) != w.low || int(got.Temperature.Max) != w.high || d > 1 || d < -1 {
			t.Errorf("probe %d from %v: %d readings, %+v, want %+v and a mean of %.2f", i, got.Start, got.Count, got.Temperature, *w, mean)
		}
		if covered := time.Duration(w.n) * r.step; (got.Covered - covered).Abs() > r.step {
			t.Errorf("probe %d from %v: %v covered, want %v", i, got.Start, got.Covered, covered)
		}
	}
	for at := range want {
		t.Errorf("probe %d: no sums of %v", i, at)
	}
}

// TestNothingIsLostAtAnyRate keeps hours of rooms as busy as a
// configuration may make them, and of busier ones, and looks for every reading:
// at once, after a kill and after a good end. It is over a day, and over two hours of as
// many as may be, with DEWLINE_LONG=1.
func TestNothingIsLostAtAnyRate(t *testing.T) {
	t.Parallel()
	day, hours := 5*time.Hour, 70*time.Minute
	if os.Getenv("DEWLINE_LONG") != "" {
		day, hours = 26*time.Hour, 130*time.Minute
	}
	for _, c := range []struct {
		name   string
		probes int
		step   time.Duration
		span   time.Duration
	}{
		{"74 a second", 74, time.Second, day},
		{"500 a second of 48 probes, over hours that become one", 48, 96 * time.Millisecond, 220 * time.Minute},
		{"1,100 probes", 1100, 2200 * time.Millisecond, 70 * time.Minute},
		{"as many as may be", configs.MostProbes, configs.MostProbes * time.Second / configs.MostReadingsPerSecond, hours},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			dir := memDir(t)
			s, _ := open(t, dir)
			r := newBusyRoom(c.probes, c.step)
			rounds := int(c.span / c.step)
			most := r.run(t, s, rounds)
			if lost := s.Stats().Lost; lost != 0 {
				t.Errorf("%d readings lost", lost)
			}
			limit := min(sealAt, max(fullEach, worthEarly*c.probes))
			if minute := c.probes * int(time.Minute/c.step+1); most > limit+minute {
				t.Errorf("%d readings were open, more than %d and a minute of %d", most, limit, minute)
			}
			r.check(t, s, rounds)
			killed := memDir(t)
			b, err := os.ReadFile(filepath.Join(dir, FileName))
			if err == nil {
				err = os.WriteFile(filepath.Join(killed, FileName), b, 0o600)
			}
			if err != nil {
				t.Fatal(err)
			}
			k, rep := open(t, killed)
			if rep.Damage != nil || rep.Fresh {
				t.Fatalf("after a kill: %+v", rep)
			}
			r.check(t, k, rounds)
			if err := s.Close(context.Background()); err != nil {
				t.Fatal(err)
			}
			s, _ = open(t, dir)
			r.check(t, s, rounds)
		})
	}
}

// TestLostIsTold lets a write hang until there is no more room, and for as long again: it is
// asked for a flush long before, each reading dropped is told, those kept of each probe are
// spread evenly, and once the disk writes again none is lost any more.
func TestLostIsTold(t *testing.T) {
	dir := memDir(t)
	var lost uint64
	full := 0
	s, _, err := Open(context.Background(), Options{Dir: dir, Lost: func(n uint64) { lost += n }, Full: func() { full++ }})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	r := newBusyRoom(100, time.Second)
	rounds := 3*maxOpen/100 + 7
	for n := range rounds {
		for i := range r.probes {
			s.Append(r.reading(i, n))
		}
	}
	want := uint64(rounds*100 - s.Stats().OpenReadings)
	if lost != want || s.Stats().Lost != want || want > uint64(rounds*100*3/4+100) {
		t.Errorf("told of %d readings lost, counted %d, want %d", lost, s.Stats().Lost, want)
	}
	if full < maxOpen/fullEach {
		t.Errorf("asked for %d flushes, want one for each %d readings", full, fullEach)
	}
	const each = 4 * time.Second // one of four
	if err := s.Flush(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.OpenReadings >= sealAt || st.Unwritten != 0 {
		t.Errorf("after the flush: %+v", st)
	}
	for i := range r.probes {
		s.Append(r.reading(i, rounds))
	}
	if lost != want {
		t.Errorf("%d more readings lost with the disk well again", lost-want)
	}
	for _, p := range []sensors.ProbeID{r.probes[0], r.probes[3], r.probes[99]} {
		got := readAll(t, s, p, time.Time{}, start.AddDate(1, 0, 0))
		for i := range len(got) - 2 {
			if apart := got[i+1].At.Mono - got[i].At.Mono; apart < each/2 || apart > 3*each/2 {
				t.Fatalf("reading %d of %s is %v before the next", i, p, apart)
			}
		}
		if n := len(got); n < rounds/4 || got[n-1].At.Mono != time.Duration(rounds)*time.Second {
			t.Errorf("%d readings of %s on record, the last at %v", n, p, got[n-1].At.Mono)
		}
	}
}

// TestTrimmedIsTold has hours wait for a disk that takes nothing.
func TestTrimmedIsTold(t *testing.T) {
	var lost uint64
	s, _, err := Open(context.Background(), Options{Lost: func(n uint64) { lost += n }})
	if err == nil {
		t.Fatal("a record without a directory is open")
	}
	s.mem.waiting = []*hour{{key: bundleKey{seq: 1}, raw: make([]byte, maxSealed), readings: 12}, {key: bundleKey{seq: 2}, raw: make([]byte, 1), readings: 5}}
	if err := s.Flush(context.Background(), nil); err == nil || lost != 12 {
		t.Errorf("told of %d readings lost, want 12: %v", lost, err)
	}
}

// TestMoreProbesThanNumbers refuses probes that the file could not tell apart.
func TestMoreProbesThanNumbers(t *testing.T) {
	s, _ := open(t, memDir(t))
	r := newBusyRoom(maxProbes+2, time.Second)
	for i := range r.probes {
		s.Append(r.reading(i, 0))
	}
	s.Append(r.reading(0, 1))
	if err := s.Flush(context.Background(), nil); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.Lost != 2 || st.OpenReadings != maxProbes+1 {
		t.Errorf("%d readings lost and %d kept, want 2 and %d", st.Lost, st.OpenReadings, maxProbes+1)
	}
}

// TestDayAtFullRate keeps 24 hours of 500 readings a second, as many as a configuration
// may ask for, and is killed then: of what was written all is there, and only what came
// after the last write is not. The memory stays bounded. One to three minutes with
// DEWLINE_LONG=1, and an hour of the day without.
func TestDayAtFullRate(t *testing.T) {
	span := time.Hour
	if os.Getenv("DEWLINE_LONG") != "" {
		span = 24 * time.Hour
	}
	dir := memDir(t)
	s, _ := open(t, dir)
	s.db.NoSync = true
	r := newBusyRoom(configs.MostProbes, configs.MostProbes*time.Second/configs.MostReadingsPerSecond)
	rounds, peak := int(span/r.step), uint64(0)
	heap := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	runtime.GC()     // of the tests before
	const batch = 18 // rounds, 180 s
	for n := 0; n < rounds; n++ {
		for i := range r.probes {
			s.Append(r.reading(i, n))
		}
		if n%batch == batch-1 {
			if err := s.Flush(ctx, nil); err != nil {
				t.Fatal(err)
			}
			metrics.Read(heap)
			peak = max(peak, heap[0].Value.Uint64())
		}
	}
	for i := range r.probes { // of the batch that a kill takes
		s.Append(r.reading(i, rounds))
	}
	st := s.Stats()
	t.Logf("%d readings in %v, %.2f bytes each, %.0f MB of heap at most", rounds*len(r.probes), span,
		float64(st.FileBytes)/float64(rounds*len(r.probes)), float64(peak)/1e6)
	if st.Lost != 0 || st.Unwritten != len(r.probes)*(rounds%batch+1) {
		t.Errorf("%d readings lost, %d not written", st.Lost, st.Unwritten)
	}
	if peak > 120e6 {
		t.Errorf("%d bytes of heap", peak)
	}
	killed := memDir(t)
	b, err := os.ReadFile(filepath.Join(dir, FileName))
	if err == nil {
		err = os.WriteFile(filepath.Join(killed, FileName), b, 0o600)
	}
	if err != nil {
		t.Fatal(err)
	}
	k, rep := open(t, killed)
	if rep.Damage != nil || rep.Fresh {
		t.Fatalf("after a kill: %+v", rep)
	}
	if len(k.Probes()) != len(r.probes) {
		t.Errorf("%d probes", len(k.Probes()))
	}
	r.check(t, k, rounds/batch*batch)
}
