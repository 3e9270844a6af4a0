package store

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"dewline/sensors"
)

// warmer is a correction by so many hundredths.
func warmer(by sensors.CentiCelsius) func(sensors.Reading) sensors.Reading {
	return func(x sensors.Reading) sensors.Reading {
		x.Temperature = x.Raw.Temperature + by
		return x
	}
}

// TestRecomputeOfTheOpenHour corrects readings of the hour that is going on: it
// says that they are to be done again, and that makes them right.
func TestRecomputeOfTheOpenHour(t *testing.T) {
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(31, 1)
	fill(t, s, r, 100*time.Minute)
	p, made := r.probes[0], r.at.Wall
	from := made.Add(-30 * time.Minute)
	if _, whole, err := s.Recompute(t.Context(), p, from, made, warmer(50)); whole || err != nil {
		t.Fatalf("whole %v: %v", whole, err)
	}
	var rest []sensors.Reading // the probe shows what is right from now on
	for range 60 {
		for range 6 {
			x := warmer(50)(r.next()[0])
			s.Append(x)
			rest = append(rest, x)
		}
		if err := s.Flush(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
	}
	n, whole, err := s.Recompute(t.Context(), p, from, made, warmer(50))
	if n != 1 || !whole || err != nil {
		t.Fatalf("%d bundles changed, whole %v: %v", n, whole, err)
	}
	var all []sensors.Reading
	for _, x := range readAll(t, s, p, from, made) {
		all = append(all, warmer(50)(x))
	}
	all = append(all, rest...)
	hour := made.Truncate(10 * time.Minute)
	got := rollupsOf(t, s, p, TenMinutes, hour, hour.Add(10*time.Minute))
	sum, count := 0, 0
	for _, x := range all {
		if !x.At.Wall.Before(hour) && x.At.Wall.Before(hour.Add(10*time.Minute)) {
			sum, count = sum+int(x.Temperature), count+1
		}
	}
	if len(got) != 1 || got[0].Count != count || int(got[0].Temperature.Mean) < sum/count || int(got[0].Temperature.Mean) > sum/count+1 {
		t.Fatalf("ten minutes around the correction are %+v, want %d readings with a mean of %d", got, count, sum/count)
	}
}

// TestRecomputeLetsOthersWrite asks that a flush need not wait until years of
// rollups are made again.
func TestRecomputeLetsOthersWrite(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := open(t, memDir(t))
		s.db.NoSync = true
		r := newRoom(32, 1)
		fill(t, s, r, 18*time.Hour)
		begun, done, after := false, make(chan error, 1), 0
		_, _, err := s.Recompute(t.Context(), r.probes[0], time.Time{}, farFuture, func(x sensors.Reading) sensors.Reading {
			if !begun {
				begun = true
				go func() { done <- s.Flush(context.Background(), []byte("state")) }()
			}
			synctest.Wait() // the flush is done, or waits for its turn
			after += len(done)
			return warmer(1)(x)
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if after == 0 {
			t.Fatal("the flush waited until all was done")
		}
	})
}

// TestRecomputeGoesPastDamage asks that one damaged hour keeps its rollups and
// stops no other from following a correction.
func TestRecomputeGoesPastDamage(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(33, 1)
	fill(t, s, r, 10*time.Hour)
	before := rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	first := bytes.Index(b, append([]byte(bundleMagic), kindRaw))
	name := bytes.Clone(b[first : first+bundleStart])
	for at := first; at >= first; at = at + 1 + bytes.Index(b[at+1:], name) { // pages that are free may have it too
		b[at+bundleStart+200] ^= 1 // in the block of an hour
		if !bytes.Contains(b[at+1:], name) {
			break
		}
	}
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	n, _, err := s.Recompute(t.Context(), r.probes[0], time.Time{}, farFuture, warmer(50))
	if err != nil || n < len(before)-3 {
		t.Fatalf("%d of %d hours changed: %v", n, len(before), err)
	}
	same := 0
	for i, x := range rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture) {
		if x == before[i] {
			same++
		}
	}
	if same != 2 || s.Stats().Damaged == 0 {
		t.Fatalf("%d hours are as they were, want the damaged one and the open one; stats %+v", same, s.Stats())
	}
}
