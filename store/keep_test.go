package store

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
)

var ctx = context.Background()

func TestDocuments(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	for i := range 600 { // more than one read transaction copies
		d := Doc{BucketOutbox, fmt.Sprintf("%04d", 599-i), fmt.Appendf(nil, "notice %d", 599-i)}
		if err := s.Commit(Commit{Docs: []Doc{d, {BucketAlarms, "same", []byte{byte(i)}}}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Commit(Commit{Docs: []Doc{{BucketOutbox, "0003", nil}, {BucketNotes, "empty", []byte{}}}, State: []byte("one")}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	var keys []string
	for d, err := range s.Docs(BucketOutbox) {
		if err != nil || string(d.Value) != "notice "+fmt.Sprint(len(keys)+btoi(len(keys) >= 3)) {
			t.Fatalf("document %d is %q: %v", len(keys), d.Value, err)
		}
		keys = append(keys, d.Key)
	}
	if len(keys) != 599 {
		t.Fatalf("%d documents", len(keys))
	}
	for _, c := range []struct {
		bucket Bucket
		key    string
		want   []byte
	}{{BucketAlarms, "same", []byte{599 & 255}}, {BucketNotes, "empty", []byte{}}, {BucketNotes, "none", nil}, {BucketDrills, "none", nil}} {
		if got, err := s.Get(c.bucket, c.key); err != nil || !bytes.Equal(got, c.want) || (got == nil) != (c.want == nil) {
			t.Errorf("document %s is %v, want %v: %v", c.key, got, c.want, err)
		}
	}
	if state, err := s.State(); err != nil || string(state) != "one" {
		t.Fatalf("state is %q: %v", state, err)
	}
	for _, want := range []string{"two", "two", "one", "two"} {
		if err := s.Flush(ctx, []byte(want)); err != nil {
			t.Fatal(err)
		}
		if state, err := s.State(); err != nil || string(state) != want {
			t.Fatalf("state is %q, want %q: %v", state, want, err)
		}
		if err := s.Commit(Commit{State: []byte("three")}); err != nil {
			t.Fatal(err)
		}
	}
	for _, bad := range []Doc{{0, "k", nil}, {BucketAlarms, "", nil}, {bucketState, "engine", nil}, {BucketAlarms, string(make([]byte, 2000)), nil}} {
		if err := s.Commit(Commit{Docs: []Doc{bad}}); err == nil {
			t.Errorf("a document under kind %d, key %.10q was taken", bad.Bucket, bad.Key)
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// TestRetention ages readings out on the running clock, and keeps their rollups.
func TestRetention(t *testing.T) {
	s, _, err := Open(ctx, Options{Dir: memDir(t), Keep: Keep{KeepRaw: 72 * time.Hour}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(ctx)
	s.db.NoSync = true
	r := newRoom(12, 2)
	fill(t, s, r, 7*24*time.Hour)
	got := readAll(t, s, r.probes[0], time.Time{}, farFuture)
	if days := float64(len(got)) / 8640; days < 3 || days > 5 {
		t.Fatalf("%.1f days of readings are left, want 3 and the day they are part of", days)
	}
	if n := len(rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture)); n != 169 {
		t.Fatalf("%d hours of rollups are left, want all 169", n)
	}
}

// TestCap lets the file run into its cap: the oldest readings go, commits of
// alarms always find room, and the file stays under the cap.
func TestCap(t *testing.T) {
	t.Parallel()
	const limit = 1 << 20
	s, _, err := Open(ctx, Options{Dir: memDir(t), Keep: Keep{MaxBytes: limit}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close(ctx)
	s.db.NoSync = true
	r := newRoom(13, 8)
	for day := range 12 {
		fill(t, s, r, 24*time.Hour)
		if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, fmt.Sprint(day), make([]byte, 3000)}}}); err != nil {
			t.Fatalf("day %d: %v", day, err)
		}
	}
	st := s.Stats()
	if st.FileBytes > limit || st.Lost != 0 {
		t.Fatalf("stats %+v", st)
	}
	days := float64(len(readAll(t, s, r.probes[0], time.Time{}, farFuture))) / 8640
	if days < 2 || days > 9 {
		t.Fatalf("%.1f days of readings are left of 12", days)
	}
	if n := len(rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture)); n != 12*24+1 {
		t.Fatalf("%d hours of rollups are left: readings go first, and there was room for all of %d", n, 12*24+1)
	}
	t.Logf("%.1f days of readings left in %d bytes, %d free", days, st.FileBytes, st.FreeBytes)
}

func TestBackupRestoreCompactRepair(t *testing.T) {
	dir := memDir(t)
	k := furnish(t, dir)
	whole := 0
	for _, m := range k.readings {
		whole += len(m)
	}
	all := found{readings: whole, rollups: len(k.rollups), docs: 60, journal: 60}
	s, _ := open(t, dir)
	backup := filepath.Join(dir, "backup")
	if err := s.Backup(ctx, backup); err != nil {
		t.Fatal(err)
	}
	before := s.Stats().FileBytes
	if err := s.Compact(ctx); err != nil {
		t.Fatal(err)
	}
	if after := s.Stats().FileBytes; after >= before {
		t.Errorf("compacting %d bytes made %d", before, after)
	}
	if f := k.sift(t, s); f != all {
		t.Fatalf("after compacting: %+v, want %+v", f, all)
	}
	if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "new", []byte("x")}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(ctx, backup, dir); !errors.Is(err, ErrLocked) {
		t.Fatalf("restoring under a running daemon: %v", err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	kept, err := Restore(ctx, backup, dir)
	if err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	if f := k.sift(t, s); f != all {
		t.Fatalf("after restoring: %+v, want %+v", f, all)
	}
	if v, err := s.Get(BucketAlarms, "new"); v != nil || err != nil {
		t.Fatalf("the restored record has what came after the backup: %q, %v", v, err)
	}
	if aside, _ := filepath.Glob(filepath.Join(dir, FileName+".replaced-*")); len(aside) != 1 || aside[0] != kept {
		t.Fatalf("set aside: %v", aside)
	}

	b, err := os.ReadFile(backup)
	if err != nil {
		t.Fatal(err)
	}
	day := slices.Concat([]byte(bundleMagic), []byte{kindRaw}) // of readings: not by chance a page of documents
	at := bytes.Index(b, day)
	for b[at+len(day)+8] != levelDay {
		at += 1 + bytes.Index(b[at+1:], day)
	}
	clear(b[at : at+40_000])
	if err := os.WriteFile(backup, b, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(ctx, backup, dir); err == nil {
		t.Fatal("a damaged backup was restored")
	}
	fixed := filepath.Join(memDir(t), FileName)
	rep, err := Repair(ctx, backup, fixed, "robin")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Repair(ctx, backup, fixed, "robin"); err == nil {
		t.Fatal("repair wrote over a file")
	}
	if err := Verify(ctx, fixed); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, filepath.Dir(fixed))
	f := k.sift(t, s)
	if f.readings < whole/4 || rep.Damaged == 0 || f.docs == 0 {
		t.Fatalf("repair saved %+v of %+v, and reports %+v", f, all, rep)
	}
	t.Logf("saved %+v of %+v", f, all)
}

// TestSchema brings no record of a later layout here, by whichever way.
func TestSchema(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	err := s.update(func(tx *bolt.Tx) error { return putSchema(tx, schema+1) })
	if err = errors.Join(err, s.Close(ctx)); err != nil {
		t.Fatal(err)
	}
	s, _, err = Open(ctx, Options{Dir: dir})
	if !errors.Is(err, ErrNewer) {
		t.Fatalf("opening a newer record: %v", err)
	}
	if _, err := Restore(ctx, filepath.Join(dir, FileName), memDir(t)); !errors.Is(err, ErrNewer) {
		t.Fatalf("restoring a newer record: %v", err)
	}
	s.Append(victimReading(1))
	if err := s.Flush(ctx, nil); !errors.Is(err, ErrNewer) {
		t.Fatalf("flushing to a newer record: %v", err)
	}
}
