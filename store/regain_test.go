package store

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"dewline/sensors"
)

// withoutRepeats reads all of a probe and fails where a reading comes twice.
func withoutRepeats(t *testing.T, s *Store, p sensors.ProbeID) int {
	t.Helper()
	seen := map[time.Time]bool{}
	for _, r := range readAll(t, s, p, time.Time{}, farFuture) {
		if seen[r.At.Wall] {
			t.Fatalf("%s has two readings at %s", p, r.At.Wall)
		}
		seen[r.At.Wall] = true
	}
	return len(seen)
}

// TestRegainAfterOneThatWasCutShort stops in the middle, as the end of the program does,
// and lets the record go on: the rest comes in behind it, once, in its old place.
func TestRegainAfterOneThatWasCutShort(t *testing.T) {
	dir := memDir(t)
	k := furnish(t, dir)
	path := filepath.Join(dir, FileName)
	aside, _, err := quarantine(path, start)
	if err != nil {
		t.Fatal(err)
	}
	if err := saveSmall(t.Context(), aside, path); err != nil {
		t.Fatal(err)
	}
	s, got := open(t, dir)
	ended, calls := false, 0
	part, err := s.Regain(stoppable{t.Context(), &ended, func() { calls++; ended = calls > 12 }})
	if err == nil || part.Readings == 0 {
		t.Fatalf("%+v before it was stopped: %v", part, err)
	}
	some := k.sift(t, s)
	r := newRoom(71, 1) // another room in the same one: its own probe name
	r.probes[0] = "later"
	r.at = sensors.Instant{Mono: got.LastMono + time.Minute, Wall: start.Add(60 * time.Hour), Synced: true}
	want := fill(t, s, r, 3*time.Hour)
	added, err := s.Regain(t.Context())
	if err != nil || added.Readings == 0 {
		t.Fatalf("%+v: %v", added, err)
	}
	check := func(s *Store) {
		t.Helper()
		whole := 0
		for p, m := range k.readings {
			if n := withoutRepeats(t, s, p); n != len(m) {
				t.Errorf("%s has %d readings of %d", p, n, len(m))
			}
			whole += len(m)
		}
		if f := k.sift(t, s); f != (found{readings: whole, rollups: len(k.rollups), docs: 60, journal: 60}) {
			t.Errorf("%+v of %d readings and %d rollups; %+v before, %+v added", f, whole, len(k.rollups), some, added)
		}
		compare(t, readAll(t, s, "later", time.Time{}, farFuture), want["later"])
	}
	check(s)
	for _, e := range s.lastIndex()[1:] {
		if e.key.monoMin == 0 {
			t.Error("what was regained is not in its old place")
		}
	}
	for range 2 {
		if again, err := s.Regain(t.Context()); again.Readings+again.Tables != 0 || err != nil {
			t.Errorf("again: %+v, %v", again, err)
		}
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		s, _ = open(t, dir)
		check(s)
	}
	for p, more := range fill(t, s, r, 50*time.Hour) {
		want[p] = append(want[p], more...)
	}
	check(s)
}

// TestRegainIntoARecordBegunAnew sets a damaged record aside where nothing could be
// saved at once, as on a full disk: all that is whole comes back, and rollups that
// are lost are made from their readings.
func TestRegainIntoARecordBegunAnew(t *testing.T) {
	dir := memDir(t)
	k := furnish(t, dir)
	path := filepath.Join(dir, FileName)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(b, append([]byte(bundleMagic), kindTable))
	b[at+bundleStart+3] ^= 1 // in the directory of one bundle of rollups
	if err := os.WriteFile(path+".damaged-20260101T000000Z", b, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	s, _ := open(t, dir)
	r := newRoom(72, 1)
	r.probes[0] = "later"
	r.at.Wall = start.Add(60 * time.Hour)
	fill(t, s, r, 2*time.Hour)
	added, err := s.Regain(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	sealed := 0
	for p := range k.readings {
		n := withoutRepeats(t, s, p)
		sealed += n
		// 51 h were sealed; the hour still open was in rows, which a salvage takes.
		if n < len(k.readings[p])*95/100 {
			t.Errorf("%s has %d readings of %d", p, n, len(k.readings[p]))
		}
		if n := len(rollupsOf(t, s, p, TenMinutes, time.Time{}, farFuture)); n < len(k.rollups)/len(k.readings)*95/100 {
			t.Errorf("%s has %d rollups of %d", p, n, len(k.rollups)/len(k.readings))
		}
	}
	if added.Readings != sealed {
		t.Errorf("%d readings are said to be added, and %d are there", added.Readings, sealed)
	}
}

// A stoppable context ends when it is told to, looked at each time it is asked.
type stoppable struct {
	context.Context
	ended *bool
	asked func()
}

func (c stoppable) Err() error {
	c.asked()
	if *c.ended {
		return os.ErrDeadlineExceeded
	}
	return nil
}
