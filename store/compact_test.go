package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"dewline/rules/event"
	"dewline/sensors"
)

// A nosyContext runs a function each time it is asked whether it has ended, which
// a long piece of work does between its steps.
type nosyContext struct {
	context.Context
	asked func()
}

func (c nosyContext) Err() error {
	c.asked()
	return c.Context.Err()
}

// TestCompactBesideWriters lets a day pass after the copy was made and while it is
// checked: flushes, commits, hours that become a day, a document that goes. None of
// it waits, and all of it is in the copy.
func TestCompactBesideWriters(t *testing.T) {
	t.Parallel()
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(51, 2)
	want := fill(t, s, r, 40*time.Hour)
	note := func(n int) {
		t.Helper()
		docs := []Doc{{BucketNotes, fmt.Sprint(n), []byte("note")}, {BucketNotes, fmt.Sprint(n - 2), nil}}
		if err := s.Commit(Commit{Docs: docs, Journal: []event.Event{noted(sensors.Instant{}, "")}}); err != nil {
			t.Fatal(err)
		}
	}
	note(1)
	calls := 0
	err := s.Compact(nosyContext{t.Context(), func() {
		if calls++; calls == 8 { // three roots were copied, and the check is at work
			for p, more := range fill(t, s, r, 30*time.Hour) {
				want[p] = append(want[p], more...)
			}
			note(2)
			note(3)
		}
	}})
	if err != nil || calls < 8 {
		t.Fatalf("asked %d times: %v", calls, err)
	}
	for p, more := range fill(t, s, r, 5*time.Hour) {
		want[p] = append(want[p], more...)
	}
	check := func(s *Store) {
		t.Helper()
		for p, rs := range want {
			compare(t, readAll(t, s, p, time.Time{}, farFuture), rs)
			if n := len(rollupsOf(t, s, p, Hour, time.Time{}, farFuture)); n != 76 {
				t.Errorf("%d hours of rollups, want 76", n)
			}
		}
		keys := ""
		for d, err := range s.Docs(BucketNotes) {
			if err != nil {
				t.Fatal(err)
			}
			keys += d.Key
		}
		if n, err := s.VerifyJournal(); keys != "23" || n != 3 || err != nil {
			t.Errorf("notes %s and %d entries, want 23 and 3: %v", keys, n, err)
		}
	}
	check(s)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := Verify(t.Context(), s.path); err != nil {
		t.Error(err)
	}
	s, rep := open(t, dir)
	if rep.Damage != nil || rep.FellBack {
		t.Errorf("%+v", rep)
	}
	check(s)
}

// TestCompactWhileReadingsGo lets readings go by their age after the copy was made: the sums
// that they told are stored in full then, and the copy has these.
func TestCompactWhileReadingsGo(t *testing.T) {
	s, _ := open(t, memDir(t))
	r := newRoom(56, 1)
	r.step = 5 * time.Minute // so slow that its readings tell its sums, but for the band
	low := sensors.CentiCelsius(2000)
	s.SetLimits(func(sensors.ProbeID, sensors.Instant) Limits { return Limits{Low: &low} })
	fill(t, s, r, 72*time.Hour)
	want := rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture)
	bundles, calls := s.Stats().Blocks, 0
	err := s.Compact(nosyContext{t.Context(), func() {
		if calls++; calls != 4 { // all but the journal is copied
			return
		}
		s.SetKeep(Keep{KeepRaw: time.Hour})
		for range 5 {
			if err := s.Flush(t.Context(), nil); err != nil {
				t.Error(err)
			}
		}
	}})
	if err != nil || calls < 4 || s.Stats().Blocks >= bundles {
		t.Fatalf("asked %d times, %d bundles of %d: %v", calls, s.Stats().Blocks, bundles, err)
	}
	if got := rollupsOf(t, s, r.probes[0], Hour, time.Time{}, farFuture); !slices.Equal(got, want) {
		t.Errorf("%d hours %+v, want %d", len(got), got, len(want))
	}
}

// TestCompactBesideReaders asks for readings all the time while the file is replaced
// again and again: whoever asks waits for the new file instead of being told that
// there is none.
func TestCompactBesideReaders(t *testing.T) {
	s, _ := open(t, memDir(t))
	fill(t, s, newRoom(52, 2), 3*time.Hour)
	ctx, cancel := context.WithCancel(t.Context())
	var readers sync.WaitGroup
	for range 4 {
		readers.Go(func() {
			for ctx.Err() == nil {
				if err := s.view(func(*bolt.Tx) error { return nil }); err != nil {
					t.Error(err)
					return
				}
			}
		})
	}
	for range 20 {
		if err := s.Compact(t.Context()); err != nil {
			t.Error(err)
		}
	}
	cancel()
	readers.Wait()
}

// TestCompactRefusesADamagedCopy damages a bundle in the running record: the copy
// is not sound, and the record stays as it is.
func TestCompactRefusesADamagedCopy(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	r := newRoom(52, 1)
	want := fill(t, s, r, 3*time.Hour)
	compactAnd := func(damage func(name string)) error {
		calls := 0
		return s.Compact(nosyContext{t.Context(), func() {
			if calls++; calls == 4 {
				damage(s.path + ".compact")
			}
		}})
	}
	err := compactAnd(func(name string) {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for i := pageSize * 2; i < len(b); i += 64 {
			b[i] ^= 1
		}
		if err := os.WriteFile(name, b, 0o600); err != nil {
			t.Fatal(err)
		}
	})
	if err == nil {
		t.Error("a damaged copy took the record's place")
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*.compact")); len(left) != 0 {
		t.Errorf("%v is left", left)
	}
	compare(t, readAll(t, s, r.probes[0], time.Time{}, farFuture), want[r.probes[0]])
	if err := s.Commit(Commit{Docs: []Doc{{BucketNotes, "k", []byte("v")}}}); err != nil {
		t.Error(err)
	}
}

// TestTidy asks that a file which became too large for what it holds is made
// smaller by itself, and no other.
func TestTidy(t *testing.T) {
	t.Parallel()
	dir := memDir(t)
	s, _ := open(t, dir)
	s.db.NoSync = true
	r := newRoom(53, 48)
	fill(t, s, r, 84*time.Hour) // no longer young
	tidy := func(want bool) {
		t.Helper()
		if did, err := s.Tidy(t.Context()); did != want || err != nil {
			t.Fatalf("tidied: %v, want %v: %v; stats %+v", did, want, err, s.Stats())
		}
	}
	tidy(false)
	long := s.Stats().FileBytes
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	// The keeper lowers the cap below what the file takes up.
	limit := long / 2
	var err error
	if s, _, err = Open(t.Context(), Options{Dir: dir, Keep: Keep{MaxBytes: limit}}); err != nil {
		t.Fatal(err)
	}
	defer s.Close(t.Context())
	s.db.NoSync = true
	fill(t, s, r, time.Hour) // flushes make room
	tidy(true)
	if st := s.Stats(); st.FileBytes > limit {
		t.Fatalf("%d bytes are left, more than the cap of %d", st.FileBytes, limit)
	}
	tidy(false)
	last := r.at.Wall.Add(-2 * time.Hour)
	if n := len(readAll(t, s, r.probes[0], last, farFuture)); n != 720 {
		t.Fatalf("%d readings of the last two hours, want 720", n)
	}
}

// TestPastCap asks that a file is taken for too long as soon as flushes made what room they
// make: the first row is what one run of TestTidy held, and was left as long as it was.
func TestPastCap(t *testing.T) {
	for _, x := range []struct {
		size, used, limit int64
		want              bool
	}{
		{2347008, 782336, 1173504, true},
		{6 << 30, 4<<30 - reserve(4<<30), 4 << 30, true},
		{3 << 20, 2<<20 - reserve(2<<20), 2 << 20, true},
		{6 << 30, 4<<30 - 1<<20, 4 << 30, false}, // a copy would be full at once
		{4 << 30, 1 << 30, 4 << 30, false},
	} {
		if got := pastCap(x.size, x.used, x.limit); got != x.want {
			t.Errorf("a file of %d bytes, %d in use, cap %d: %v, want %v", x.size, x.used, x.limit, got, x.want)
		}
	}
}

// TestTidyYoungFile gives back, once, what the joining of hours left free in a file that is
// small yet.
func TestTidyYoungFile(t *testing.T) {
	t.Parallel()
	s, _ := open(t, memDir(t))
	s.db.NoSync = true
	r := newRoom(53, 8)
	fill(t, s, r, 26*time.Hour)
	before := s.Stats()
	for _, want := range []bool{true, false} {
		if did, err := s.Tidy(t.Context()); did != want || err != nil {
			t.Fatalf("tidied: %v, want %v: %v; stats %+v", did, want, err, s.Stats())
		}
	}
	after := s.Stats()
	if after.FileBytes > before.FileBytes*7/8 || after.BytesWritten < before.BytesWritten+uint64(after.FileBytes) {
		t.Errorf("%+v, and before %+v", after, before)
	}
	if n := len(readAll(t, s, r.probes[0], time.Time{}, farFuture)); n != 26*360 {
		t.Errorf("%d readings", n)
	}
}

// TestOpenClearsUnfinishedCopies asks that what a power cut left of a copy does
// not take up the card for ever.
func TestOpenClearsUnfinishedCopies(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, suffix := range []string{".compact", ".salvage", ".new", ".restored"} {
		if err := os.WriteFile(s.path+suffix, make([]byte, 1000), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	open(t, dir)
	if names, _ := filepath.Glob(filepath.Join(dir, "*")); len(names) != 1 {
		t.Errorf("in the folder: %v", names)
	}
}

// TestCompactAfterAFailedClose takes the file descriptor away before the swap, so that
// closing fails: the record opens again with the next write.
func TestCompactAfterAFailedClose(t *testing.T) {
	s, _ := open(t, memDir(t))
	r := newRoom(54, 1)
	want := fill(t, s, r, 90*time.Minute)
	if err := s.current().file.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Compact(t.Context()); err == nil {
		t.Fatal("closing did not fail")
	}
	for p, more := range fill(t, s, r, 10*time.Minute) {
		want[p] = append(want[p], more...)
	}
	compare(t, readAll(t, s, r.probes[0], time.Time{}, farFuture), want[r.probes[0]])
}

// TestBackupKeepsCompactOut asks that no smaller copy can be begun while a backup reads
// the file: before the swap it would wait for the backup's end, and all commits for it.
func TestBackupKeepsCompactOut(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	fill(t, s, newRoom(55, 1), 2*time.Hour)
	asked := 0
	err := s.Backup(nosyContext{t.Context(), func() {
		if asked++; asked != 1 {
			return
		}
		select {
		case s.tidying <- struct{}{}:
			<-s.tidying
			t.Error("a smaller copy could be begun")
		default:
		}
		if err := s.Commit(Commit{Docs: []Doc{{BucketNotes, "k", []byte("v")}}}); err != nil {
			t.Error(err)
		}
	}}, filepath.Join(dir, "copy"))
	if err != nil || asked == 0 {
		t.Errorf("asked %d times: %v", asked, err)
	}
}
