package store

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// TestUnavailable begins with a record that another process holds: readings
// wait in memory and go to the file once it is free.
func TestUnavailable(t *testing.T) {
	dir := memDir(t)
	first, _ := open(t, dir)
	r := newRoom(14, 3)
	want := fill(t, first, r, 2*time.Hour)
	s, _, err := Open(ctx, Options{Dir: dir})
	if !errors.Is(err, ErrLocked) {
		t.Fatalf("second open: %v", err)
	}
	for range 1080 {
		for _, x := range r.next() {
			s.Append(x)
			want[x.Probe] = append(want[x.Probe], x)
		}
	}
	if err := s.Flush(ctx, nil); !errors.Is(err, ErrLocked) {
		t.Fatalf("flush: %v", err)
	}
	if err := s.Commit(Commit{State: []byte("x")}); !errors.Is(err, ErrUnavailable) {
		t.Fatalf("commit: %v", err)
	}
	if _, err := s.State(); !errors.Is(err, ErrUnavailable) {
		t.Fatalf("state: %v", err)
	}
	if err := first.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(ctx, nil); err != nil {
		t.Fatal(err)
	}
	for p, more := range fill(t, s, r, time.Hour) {
		want[p] = append(want[p], more...)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	if err := s.Flush(ctx, nil); !errors.Is(err, ErrUnavailable) {
		t.Fatalf("flush after closing: %v", err)
	}
	s, _ = open(t, dir)
	for _, p := range r.probes {
		compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
	}
}

// TestAppendNeverWaits holds the file's only write transaction, as a card that
// hangs would, and goes on appending and reading.
func TestAppendNeverWaits(t *testing.T) {
	s, _ := open(t, memDir(t))
	r := newRoom(15, 4)
	want := fill(t, s, r, 30*time.Minute)
	tx, err := s.db.Begin(true)
	if err != nil {
		t.Fatal(err)
	}
	var stuck sync.WaitGroup
	stuck.Go(func() {
		if err := s.Flush(ctx, nil); err != nil {
			t.Error(err)
		}
	})
	stuck.Go(func() {
		if err := s.Commit(Commit{State: []byte("late")}); err != nil {
			t.Error(err)
		}
	})
	for range 1000 {
		for _, x := range r.next() {
			s.Append(x)
			want[x.Probe] = append(want[x.Probe], x)
		}
	}
	compare(t, readAll(t, s, r.probes[1], time.Time{}, farFuture), want[r.probes[1]])
	_ = s.Stats()
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	stuck.Wait()
	if err := s.Flush(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.Unwritten != 0 || st.Lost != 0 {
		t.Fatalf("%+v", st)
	}
}

// TestReadersAndWriters lets everything happen at once, for the race detector
// and for readers that meet a day replacing its hours.
func TestReadersAndWriters(t *testing.T) {
	t.Parallel()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(16, 3)
	want := fill(t, s, r, 25*time.Hour)
	p := r.probes[2]
	stop := make(chan struct{})
	var readers sync.WaitGroup
	for range 3 {
		readers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				compare(t, readAll(t, s, p, time.Time{}, start.Add(25*time.Hour)), want[p])
				if n := len(rollupsOf(t, s, p, Hour, time.Time{}, start.Add(24*time.Hour))); n != 25 {
					t.Errorf("%d hours", n)
				}
				if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "k", []byte("v")}}, Journal: []event.Event{noted(sensors.Instant{}, "x")}}); err != nil {
					t.Error(err)
				}
			}
		})
	}
	fill(t, s, r, 50*time.Hour)
	if err := s.Compact(ctx); err != nil {
		t.Error(err)
	}
	close(stop)
	readers.Wait()
	if _, err := s.VerifyJournal(); err != nil {
		t.Error(err)
	}
}

// TestMemoryStaysFlat asks that three times the history, in the long run a
// hundred times, costs no more memory.
func TestMemoryStaysFlat(t *testing.T) {
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(17, 4)
	heap := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc) / 1e6
	}
	grow := func(d time.Duration) {
		for end := r.at.Mono + d; r.at.Mono < end; {
			for range 6 {
				for _, x := range r.next() {
					s.Append(x)
				}
			}
			if err := s.Flush(ctx, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	const first = 49 * time.Hour
	times := 3
	if os.Getenv("DEWLINE_LONG") != "" {
		times = 40
	}
	grow(first)
	before := heap()
	grow(first * time.Duration(times-1))
	n := 0
	for range s.Readings(ctx, r.probes[0], time.Time{}, farFuture) {
		if n++; n == 45_000 {
			if during := heap(); during > before+5 {
				t.Errorf("%.1f MB while reading all, %.1f MB before", during, before)
			}
		}
	}
	if after := heap(); after > before+1 {
		t.Errorf("%.1f MB after %d times the history, %.1f MB before", after, times, before)
	}
}

// TestLetGo makes the library panic in a write, as a damaged page does: the
// store drops the file, opens it again and goes on with nothing lost or doubled.
func TestLetGo(t *testing.T) {
	s, _ := open(t, memDir(t))
	r := newRoom(18, 3)
	want := fill(t, s, r, 90*time.Minute)
	for range 3 {
		err := s.update(func(tx *bolt.Tx) error { panic("page 7 is not what it says") })
		if !errors.Is(err, errPanic) {
			t.Fatalf("a panic came out as %v", err)
		}
		for p, more := range fill(t, s, r, 50*time.Minute) {
			want[p] = append(want[p], more...)
		}
		for _, p := range r.probes {
			compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
		}
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, rep := open(t, filepath.Dir(s.path))
	if rep.Damage != nil {
		t.Fatalf("%+v", rep)
	}
	for _, p := range r.probes {
		compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
	}
}
