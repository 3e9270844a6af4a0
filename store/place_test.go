package store

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/unix"
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

// TestRemovedWithADamagedBlock removes the file of a record of which one bundle is
// damaged: all the rest is worth writing anew.
func TestRemovedWithADamagedBlock(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(83, 1)
	want := fill(t, s, r, 5*time.Hour)[r.probes[0]]
	damageFirstBundle(t, s)
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "k", []byte("v")}}}); err != nil {
		t.Fatal(err)
	}
	want = append(want, fill(t, s, r, 10*time.Minute)[r.probes[0]]...)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	good, bad := 0, 0
	for _, err := range s.Readings(t.Context(), r.probes[0], time.Time{}, farFuture) {
		if err != nil {
			bad++
			continue
		}
		good++
	}
	if bad != 1 || good < len(want)-360 || good == len(want) {
		t.Errorf("%d readings of %d, and %d faults", good, len(want), bad)
	}
}

// TestRemovedOnAFullDisk removes the file where the disk has no room to write it anew:
// that is told without a try, and done once there is room.
func TestRemovedOnAFullDisk(t *testing.T) {
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=2m"); err != nil {
		t.Skipf("cannot mount a small file system: %v", err)
	}
	defer func() { _ = unix.Unmount(dir, unix.MNT_DETACH) }()
	s, _ := open(t, dir)
	r := newRoom(84, 2)
	want := fill(t, s, r, 2*time.Hour)
	ballast := filepath.Join(dir, "ballast")
	f, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	size := int64(0)
	for ; err == nil; size += 4096 {
		_, err = f.Write(make([]byte, 4096))
	}
	if err := f.Truncate(size - 48<<10); err != nil { // enough to begin
		t.Fatal(err)
	}
	if err := os.Remove(s.path); err != nil {
		t.Fatal(err)
	}
	s.measure()
	tries := 0
	err = s.Flush(nosyContext{t.Context(), func() { tries++ }}, nil)
	if !errors.Is(err, syscall.ENOSPC) || tries != 0 {
		t.Errorf("after %d steps flush says %v", tries, err)
	}
	if err := errors.Join(f.Truncate(0), os.Remove(ballast)); err != nil {
		t.Fatal(err)
	}
	for p, more := range fill(t, s, r, 10*time.Minute) {
		want[p] = append(want[p], more...)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	for p, rs := range want {
		compare(t, readAll(t, s, p, time.Time{}, farFuture), rs)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
}

// damageFirstBundle changes a byte of the oldest bundle of readings, also in what the
// library left behind of it: so small a bundle lies in a page with others.
func damageFirstBundle(t *testing.T, s *Store) {
	t.Helper()
	var bundle []byte
	err := s.view(func(tx *bolt.Tx) error {
		raw := tx.Bucket([]byte(rootRaw))
		name, _ := raw.Cursor().First()
		bundle = bytes.Clone(bucketValue(raw.Bucket(name)))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(s.path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(s.path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	middle := int64(len(bundle) / 2)
	for from := int64(0); ; from++ {
		at := bytes.Index(b[from:], bundle)
		if at < 0 {
			return
		}
		from += int64(at)
		if _, err := f.WriteAt([]byte{b[from+middle] ^ 1}, from+middle); err != nil {
			t.Fatal(err)
		}
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
