package store

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestRemovedWhileInUse removes the file, and the folder with it, under a running
// store: both are there again after the next flushes, with all that was recorded.
func TestRemovedWhileInUse(t *testing.T) {
	for _, what := range []string{"the file", "the folder"} {
		t.Run(what, func(t *testing.T) {
			dir := filepath.Join(memDir(t), "data")
			s, _ := open(t, dir)
			r := newRoom(81, 2)
			want := fill(t, s, r, 90*time.Minute)
			gone := s.path
			if what == "the folder" {
				gone = dir
			}
			if err := os.RemoveAll(gone); err != nil {
				t.Fatal(err)
			}
			if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "k", []byte("v")}}}); err != nil {
				t.Fatal(err)
			}
			for p, more := range fill(t, s, r, 10*time.Minute) {
				want[p] = append(want[p], more...)
			}
			if err := s.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			s, rep := open(t, dir)
			if rep.Fresh {
				t.Fatal("the record is gone")
			}
			for p, rs := range want {
				compare(t, readAll(t, s, p, time.Time{}, farFuture), rs)
			}
			if v, err := s.Get(BucketAlarms, "k"); string(v) != "v" || err != nil {
				t.Errorf("the document is %q: %v", v, err)
			}
		})
	}
}

// TestReplacedByHand puts another file in the record's place: neither is written
// over, and the keeper is told.
func TestReplacedByHand(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(82, 1)
	fill(t, s, r, 10*time.Minute)
	other := filepath.Join(dir, "other")
	if err := os.WriteFile(other, []byte("another record"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(other, s.path); err != nil {
		t.Fatal(err)
	}
	if err := s.Compact(t.Context()); !errors.Is(err, ErrDisplaced) {
		t.Errorf("compact says %v", err)
	}
	var err error
	for range 2 { // the first may find out only while it writes
		for _, x := range r.next() {
			s.Append(x)
		}
		err = s.Flush(t.Context(), nil)
	}
	if !errors.Is(err, ErrDisplaced) {
		t.Errorf("flush says %v", err)
	}
	for range 90 * 6 { // a long backlog is packed, or memory would soon be full
		for _, x := range r.next() {
			s.Append(x)
		}
	}
	if err := s.Flush(t.Context(), nil); !errors.Is(err, ErrDisplaced) {
		t.Errorf("flush says %v", err)
	}
	if st := s.Stats(); st.OpenReadings > 60*6 || st.Unwritten < 90*6 {
		t.Errorf("%d readings are still open, %d wait for the disk", st.OpenReadings, st.Unwritten)
	}
	if b, err := os.ReadFile(s.path); string(b) != "another record" {
		t.Errorf("the other file was written over: %.99q, %v", b, err)
	}
}
