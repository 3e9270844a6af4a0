package store

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"dewline/rules/climate"
	"dewline/sensors"
)

func testLimits(low, high, ceiling sensors.CentiCelsius, floor sensors.CentiPercent) LimitsFunc {
	return func(sensors.ProbeID, sensors.Instant) Limits {
		return Limits{Low: &low, High: &high, Lethal: &ceiling, Floor: &floor}
	}
}

// slowRollup sums readings up the plain way, each standing for as long.
func slowRollup(probe sensors.ProbeID, level Level, at time.Time, rs []sensors.Reading, lim Limits, each time.Duration) Rollup {
	out := Rollup{Probe: probe, Start: at, Level: level}
	var t, h, v []float64
	for _, r := range rs {
		if r.At.Wall.Before(at) || !r.At.Wall.Before(at.Add(level.Span())) || r.Quality == sensors.Bad {
			continue
		}
		out.Count++
		out.Has |= r.Has
		t, h = append(t, float64(r.Temperature)), append(h, float64(r.Humidity))
		pa, err := climate.VPD(r.Temperature.Celsius(), r.Humidity.Percent())
		if err == nil {
			v = append(v, math.Round(pa))
		}
		out.Covered += each
		if r.Temperature >= *lim.Low && r.Temperature <= *lim.High {
			out.InBand += each
		}
		if r.Temperature >= *lim.Lethal {
			out.AboveCeil += each
		}
		if r.Humidity < *lim.Floor {
			out.BelowFloor += each
		}
	}
	out.Temperature, out.Humidity, out.VPD = spreadOf(t), spreadOf(h), spreadOf(v)
	out.Gap = level.Span() - out.Covered
	return out
}

func spreadOf(v []float64) (s Spread) {
	if len(v) == 0 {
		return s
	}
	lo, hi, sum := v[0], v[0], 0.0
	for _, x := range v {
		lo, hi, sum = min(lo, x), max(hi, x), sum+x
	}
	return Spread{int32(lo), int32(math.Round(sum / float64(len(v)))), int32(hi)}
}

func rollupsOf(t testing.TB, s *Store, p sensors.ProbeID, level Level, from, to time.Time) (out []Rollup) {
	t.Helper()
	for r, err := range s.Rollups(context.Background(), p, level, from, to) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// TestRollups compares what is kept with plain sums over the readings, with a
// probe that falls silent, one that turns bad, and the span still going on.
func TestRollups(t *testing.T) {
	dir := memDir(t)
	limits := testLimits(2230, 2400, 2450, 7950)
	s, _, err := Open(context.Background(), Options{Dir: dir, Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	s.db.NoSync = true
	r := newRoom(8, 2)
	all := map[sensors.ProbeID][]sensors.Reading{}
	for minute := range 33 * 60 {
		for range 6 {
			for i, x := range r.next() {
				if i == 0 && minute >= 125 && minute < 145 {
					continue // silent for twenty minutes
				}
				if i == 1 && minute >= 300 && minute < 303 {
					x = sensors.Reading{Probe: x.Probe, At: x.At, Quality: sensors.Bad, Reason: sensors.BadCRC}
				}
				x.At.Wall = x.At.Wall.Truncate(10 * time.Second) // off-grid milliseconds are not the point here
				x.At.Mono = x.At.Mono.Truncate(10 * time.Second)
				s.Append(x)
				all[x.Probe] = append(all[x.Probe], x)
			}
		}
		if err := s.Flush(context.Background(), nil); err != nil {
			t.Fatal(err)
		}
	}
	lim := limits("", sensors.Instant{})
	check := func(s *Store) {
		t.Helper()
		for _, p := range r.probes {
			for _, level := range []Level{TenMinutes, Hour} {
				for i, got := range rollupsOf(t, s, p, level, time.Time{}, farFuture) {
					if want := slowRollup(p, level, got.Start, all[p], lim, 10*time.Second); got != want {
						t.Fatalf("rollup %d of %s is\n%+v, want\n%+v", i, p, got, want)
					}
				}
			}
			n := len(rollupsOf(t, s, p, TenMinutes, start.Truncate(10*time.Minute), start.Add(33*time.Hour)))
			if want := 33*6 + 1; n < want-3 || n > want {
				t.Fatalf("%d rollups of %s, want about %d", n, p, want)
			}
		}
		if n := len(rollupsOf(t, s, r.probes[1], Hour, start.Add(2*time.Hour), start.Add(5*time.Hour))); n != 3 {
			t.Fatalf("%d hours in a window of three", n)
		}
	}
	check(s)
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	s, _, err = Open(context.Background(), Options{Dir: dir, Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	check(s)
}

// TestSlowRollups is the same for probes whose rollups are summed up again when they are asked
// for: they keep the limits of their day, when their hours become days, when other
// limits come, and when their readings are past their age.
func TestSlowRollups(t *testing.T) {
	for _, each := range []time.Duration{time.Minute, 5 * time.Minute} {
		before, later := testLimits(2230, 2400, 2450, 7950), testLimits(2330, 2350, 2360, 8100)
		dir := memDir(t)
		s, _, err := Open(ctx, Options{Dir: dir, Limits: before, Keep: Keep{KeepRaw: 72 * time.Hour}})
		if err != nil {
			t.Fatal(err)
		}
		s.db.NoSync = true
		r := newRoom(8, 2)
		r.step, r.at.Wall = each, start.Truncate(24*time.Hour)
		begun, change := r.at.Wall, r.at.Wall.Add(50*time.Hour)
		all := map[sensors.ProbeID][]sensors.Reading{}
		run := func(until time.Time) {
			for r.at.Wall.Before(until) {
				for _, x := range r.next() {
					x.At.Wall, x.At.Mono = x.At.Wall.Truncate(each), x.At.Mono.Truncate(each)
					s.Append(x)
					all[x.Probe] = append(all[x.Probe], x)
				}
				if err := s.Flush(ctx, nil); err != nil {
					t.Fatal(err)
				}
			}
		}
		check := func() {
			t.Helper()
			for _, p := range r.probes {
				for _, level := range []Level{TenMinutes, Hour} {
					n := 0
					for _, got := range rollupsOf(t, s, p, level, begun, r.at.Wall.Truncate(time.Hour)) {
						lim := before("", sensors.Instant{})
						if !got.Start.Before(change.Truncate(24 * time.Hour)) {
							lim = later("", sensors.Instant{})
							if got.Start.Before(change) {
								n++ // of the hours open at the change
								continue
							}
						}
						if want := slowRollup(p, level, got.Start, all[p], lim, each); got != want {
							t.Fatalf("after %v, a rollup of %s is\n%+v, want\n%+v", r.at.Mono, p, got, want)
						}
						n++
					}
					if want := int(r.at.Wall.Truncate(time.Hour).Sub(begun) / level.Span()); n != want {
						t.Fatalf("%d rollups of %s, want %d", n, p, want)
					}
				}
			}
		}
		run(change)
		s.SetLimits(later)
		run(change.Add(20 * time.Hour))
		check()
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
		if s, _, err = Open(ctx, Options{Dir: dir, Limits: later, Keep: Keep{KeepRaw: 72 * time.Hour}}); err != nil {
			t.Fatal(err)
		}
		s.db.NoSync = true
		check()
		run(begun.Add(9 * 24 * time.Hour))
		check()
		if n := len(readAll(t, s, r.probes[0], begun, begun.Add(48*time.Hour))); n != 0 {
			t.Errorf("%d readings are past their age, and there", n)
		}
		if err := s.Close(ctx); err != nil {
			t.Fatal(err)
		}
	}
}

// TestRecompute corrects a probe from a date on and asks that its rollups
// follow from that date on, that others do not, and that readings stay.
func TestRecompute(t *testing.T) {
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(9, 2)
	want := fill(t, s, r, 51*time.Hour)
	p, other := r.probes[0], r.probes[1]
	before, others := rollupsOf(t, s, p, Hour, time.Time{}, farFuture), rollupsOf(t, s, other, Hour, time.Time{}, farFuture)
	from := start.Truncate(time.Hour).Add(10 * time.Hour)
	correct := func(x sensors.Reading) sensors.Reading {
		x.Temperature = x.Raw.Temperature + 50
		return x
	}
	n, whole, err := s.Recompute(context.Background(), p, from, farFuture, correct)
	if err != nil || n < 3 || whole {
		t.Fatalf("%d bundles changed, %v though an hour is open: %v", n, whole, err)
	}
	if n, _, err := s.Recompute(context.Background(), p, from, farFuture, correct); n != 0 || err != nil {
		t.Fatalf("%d bundles changed the second time: %v", n, err)
	}
	after := rollupsOf(t, s, p, Hour, time.Time{}, farFuture)
	open := start.Add(51 * time.Hour).Truncate(time.Hour)
	for i := range after {
		shift := after[i].Temperature.Mean - before[i].Temperature.Mean
		wantShift := int32(62) // the room's own correction is −12
		if after[i].Start.Before(from) || !after[i].Start.Before(open.Add(-time.Hour)) && shift == 0 {
			wantShift = 0
		}
		if shift != wantShift || after[i].Humidity != before[i].Humidity {
			t.Fatalf("hour %v moved by %d, want %d", after[i].Start, shift, wantShift)
		}
	}
	for i, x := range rollupsOf(t, s, other, Hour, time.Time{}, farFuture) {
		if x != others[i] {
			t.Fatalf("the other probe changed: %+v", x)
		}
	}
	compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
}

// TestClockSteps sets the wall clock back and forth and asks that nothing is
// overwritten, nothing deleted, and that reading follows wall time.
func TestClockSteps(t *testing.T) {
	dir := memDir(t)
	s, _, err := Open(context.Background(), Options{Dir: dir, Keep: Keep{KeepRaw: 40 * 24 * time.Hour}})
	if err != nil {
		t.Fatal(err)
	}
	s.db.NoSync = true
	r := newRoom(10, 2)
	total := 0
	for _, step := range []time.Duration{0, -90 * time.Minute, 26 * time.Hour, -56 * 365 * 24 * time.Hour, 76 * 365 * 24 * time.Hour, -20 * 365 * 24 * time.Hour} {
		r.at.Wall = r.at.Wall.Add(step)
		total += len(fill(t, s, r, 5*time.Hour)[r.probes[0]])
	}
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	s, rep := open(t, dir)
	if want := 30*time.Hour - 10*time.Second; rep.LastMono.Round(time.Second) != want {
		t.Fatalf("running time stopped at %v, want %v", rep.LastMono, want)
	}
	got := readAll(t, s, r.probes[0], time.Unix(-1<<40, 0), time.Unix(1<<40, 0))
	if len(got) != total {
		t.Fatalf("%d readings of %d", len(got), total)
	}
	for i := 1; i < len(got); i++ {
		if got[i].At.Wall.Before(got[i-1].At.Wall) {
			t.Fatalf("reading %d goes back from %v to %v", i, got[i-1].At.Wall, got[i].At.Wall)
		}
	}
	for _, level := range []Level{TenMinutes, Hour} {
		count := 0
		for _, x := range rollupsOf(t, s, r.probes[0], level, time.Unix(-1<<40, 0), time.Unix(1<<40, 0)) {
			count += x.Count
		}
		if count != total {
			t.Fatalf("rollups hold %d readings of %d", count, total)
		}
	}
}

// TestDropKeepsHours lets go of readings for want of room: their hours stay as they were, and
// the ten minutes, which there is no room for, are gone and not damaged.
func TestDropKeepsHours(t *testing.T) {
	t.Parallel()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	high := sensors.CentiCelsius(4000)
	s.SetLimits(func(sensors.ProbeID, sensors.Instant) Limits { return Limits{High: &high} })
	r := newRoom(5, 2)
	fill(t, s, r, 3*time.Hour)
	probe := r.probes[0]
	want := rollupsOf(t, s, probe, Hour, time.Time{}, farFuture)
	before := len(rollupsOf(t, s, probe, TenMinutes, time.Time{}, farFuture))
	if err := s.drop(leaving{raw: s.lastIndex()[:1]}); err != nil {
		t.Fatal(err)
	}
	if got := rollupsOf(t, s, probe, Hour, time.Time{}, farFuture); !slices.Equal(got, want) {
		t.Errorf("hours are %v, want %v", got, want)
	}
	if after := len(rollupsOf(t, s, probe, TenMinutes, time.Time{}, farFuture)); after == 0 || after >= before {
		t.Errorf("%d spans of ten minutes of %d", after, before)
	}
	if n := s.Stats().Damaged; n != 0 {
		t.Errorf("%d damaged", n)
	}
}
