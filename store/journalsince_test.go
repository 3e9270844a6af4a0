package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// JournalSince must yield exactly what is left of Journal after those that are
// older, however far the wall clock was stepped meanwhile.
func TestJournalSinceIsTheRestOfTheJournal(t *testing.T) {
	s, _, err := Open(context.Background(), Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	for range s.JournalSince(0) {
		t.Fatal("an empty journal has entries")
	}
	const n = 700
	for i := range n {
		wall := start.Add(time.Duration(i) * time.Hour)
		if i%3 == 1 {
			wall = wall.AddDate(-5, 0, 0) // a board that lost its clock
		}
		at := sensors.Instant{Mono: time.Duration(i) * time.Hour, Wall: wall}
		if i%10 == 9 {
			at.Mono -= time.Hour + 30*time.Second // queued a little late
		}
		if err := s.Commit(Commit{Journal: []event.Event{noted(at, fmt.Sprint(i))}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, mono := range []time.Duration{-time.Hour, 0, time.Hour, 345 * time.Hour, 345*time.Hour - 20*time.Second, (n - 1) * time.Hour, n * time.Hour} {
		var want, got []string
		for e, err := range s.Journal(time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if e.At.Mono >= mono {
				want = append(want, e.Text)
			}
		}
		for e, err := range s.JournalSince(mono) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, e.Text)
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("since %s: %d entries %.60v, want %d %.60v", mono, len(got), got, len(want), want)
		}
	}
}

// A changed entry is refused and those after it still come.
func TestJournalSinceRefusesWhatWasChanged(t *testing.T) {
	s, _, err := Open(context.Background(), Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(context.Background())
	for i := range 20 {
		at := sensors.Instant{Mono: time.Duration(i) * time.Hour, Wall: start}
		if err := s.Commit(Commit{Journal: []event.Event{noted(at, fmt.Sprint(i))}}); err != nil {
			t.Fatal(err)
		}
	}
	err = s.update(func(tx *bolt.Tx) error {
		b := tx.Bucket([]byte(rootJournal))
		k := []byte{0, 0, 0, 0, 0, 0, 0, 15}
		v := append([]byte{}, b.Get(k)...)
		v[len(v)-2] = '!'
		return b.Put(k, v)
	})
	if err != nil {
		t.Fatal(err)
	}
	bad, good := 0, 0
	for _, err := range s.JournalSince(10 * time.Hour) {
		if errors.Is(err, ErrTampered) {
			bad++
		} else if err == nil {
			good++
		}
	}
	if bad != 1 || good != 9 {
		t.Errorf("%d refused and %d given out of 10, want 1 and 9", bad, good)
	}
}

// Running time goes on from the newest entry after a kill, which may lose the
// readings of a batch but no entry: it must not go back behind one.
func TestRunningTimeGoesOnFromTheJournal(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(41, 1)
	fill(t, s, r, 10*time.Minute)
	last := r.at.Mono + 55*time.Second
	if err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Mono: last, Wall: r.at.Wall}, "")}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	_, rep := open(t, dir)
	if rep.LastMono != last {
		t.Errorf("running time goes on from %s, want %s", rep.LastMono, last)
	}
}

// TestDamagedEntryDoesNotSetTheTime makes the newest entry name a later running time:
// with one far enough ahead, all readings would be past their age.
func TestDamagedEntryDoesNotSetTheTime(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	for _, mono := range []time.Duration{time.Hour, 2 * time.Hour} {
		if err := s.Commit(Commit{Journal: []event.Event{noted(sensors.Instant{Mono: mono}, "")}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(s.path)
	if err != nil {
		t.Fatal(err)
	}
	good := `"running_s":7200`
	bad := bytes.ReplaceAll(b, []byte(good), []byte(`"running_s":9200`))
	if bytes.Equal(b, bad) {
		t.Fatal("the entry is not found")
	}
	if err := os.WriteFile(s.path, bad, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, rep := open(t, dir); rep.LastMono != time.Hour {
		t.Errorf("running time goes on from %s", rep.LastMono)
	}
}

// The newest moment under a set clock is what a start works out its time off from;
// a later one under a clock that was not set is none.
func TestReportNamesTheLastSetClock(t *testing.T) {
	dir := t.TempDir()
	s, rep := open(t, dir)
	if !rep.LastSet.IsZero() {
		t.Errorf("a new record: %+v", rep.LastSet)
	}
	set := sensors.Instant{Mono: time.Minute, Wall: start.Add(time.Minute), Synced: true}
	for _, at := range []sensors.Instant{set, {Mono: 2 * time.Minute, Wall: start.Add(2 * time.Minute)}} {
		s.Append(sensors.Reading{Probe: "p", At: at, Has: sensors.HasTemperature, Temperature: 2400, Quality: sensors.Good})
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	_, rep = open(t, dir)
	if rep.LastSet.Mono != set.Mono || !rep.LastSet.Wall.Equal(set.Wall) || !rep.LastSet.Synced {
		t.Errorf("%+v, want %+v", rep.LastSet, set)
	}
}
