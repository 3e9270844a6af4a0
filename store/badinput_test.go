package store

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"golang.org/x/sys/unix"

	"dewline/sensors"
)

// A probe whose clock runs backwards, or jumps to and fro, loses none of its readings, nor
// any of its neighbour's, before a restart and after.
func TestProbeRunsBackwards(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	s.db.NoSync = true
	const n = 3 * 360
	reading := func(p sensors.ProbeID, at time.Duration, i int) sensors.Reading {
		raw := sensors.Sample{Has: sensors.HasTemperature, Temperature: sensors.CentiCelsius(2200 + i%50)}
		return sensors.Reading{Probe: p, At: sensors.Instant{Mono: at, Wall: start.Add(at), Synced: true}, Has: raw.Has, Raw: raw, Temperature: raw.Temperature, Quality: sensors.Good}
	}
	for i := range n {
		at := 10 * time.Hour
		s.Append(reading("good", at+time.Duration(i)*10*time.Second, i))
		s.Append(reading("back", at-time.Duration(i)*10*time.Second, i))
		s.Append(reading("jumps", at+time.Duration((i*7919)%n)*10*time.Second, i))
		if i%18 == 17 {
			if err := s.Flush(ctx, nil); err != nil {
				t.Fatal(err)
			}
		}
	}
	check := func() {
		t.Helper()
		for _, p := range []sensors.ProbeID{"good", "back", "jumps"} {
			met := map[time.Duration]bool{}
			for _, r := range readAll(t, s, p, time.Time{}, farFuture) {
				met[r.At.Wall.Sub(start)] = true
			}
			if len(met) != n {
				t.Errorf("probe %s has %d readings of %d", p, len(met), n)
			}
		}
	}
	check()
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, rep := open(t, dir)
	if rep.Damage != nil {
		t.Fatal(rep.Damage)
	}
	check()
}

// A record that a newer version wrote is refused and not touched by a byte, neither at the
// start nor by the writes that go on being tried; readings wait in memory.
func TestNewerFileIsLeftAlone(t *testing.T) {
	dir := memDir(t)
	s, _ := open(t, dir)
	err := s.update(func(tx *bolt.Tx) error { return putSchema(tx, schema+1) })
	if err = errors.Join(err, s.Close(ctx)); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	for _, later := range []bool{false, true} {
		s, _, err := Open(ctx, Options{Dir: dir, CheckLater: later})
		if !errors.Is(err, ErrNewer) {
			t.Fatalf("opened: %v", err)
		}
		r := newRoom(2, 3)
		for range 100 {
			for _, x := range r.next() {
				s.Append(x)
			}
			if err := s.Flush(ctx, []byte("state")); !errors.Is(err, ErrNewer) {
				t.Fatalf("flushed: %v", err)
			}
		}
		if got := len(readAll(t, s, r.probes[0], time.Time{}, farFuture)); got != 100 {
			t.Errorf("%d readings are in memory, want 100", got)
		}
		_ = s.Close(ctx)
		after, err := os.ReadFile(filepath.Join(dir, FileName))
		if err != nil || !bytes.Equal(before, after) {
			t.Errorf("the file was changed, looked at later %t: %v", later, err)
		}
	}
}

// A card that is full for a week takes no reading of 48 probes, and gets all of them once it has
// room, but for what memory may not hold: that is told, and is the oldest. The week is a day
// without DEWLINE_LONG=1.
func TestFullForAWeek(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=12m"); err != nil {
		t.Skipf("cannot mount a small file system: %v", err)
	}
	defer func() { _ = unix.Unmount(dir, unix.MNT_DETACH) }()
	var told uint64
	s, _, err := Open(ctx, Options{Dir: dir, Lost: func(n uint64) { told += n }})
	if err != nil {
		t.Fatal(err)
	}
	ballast := filepath.Join(dir, "ballast")
	f, err := os.Create(ballast)
	for err == nil {
		_, err = f.Write(bytes.Repeat([]byte{1}, 4096))
	}
	_ = f.Close()
	r := newRoom(48, 48)
	batches := 480 * rounds(t, "DEWLINE_FULL_DAYS", 1, 7)
	for range batches {
		for range 18 {
			for _, x := range r.next() {
				s.Append(x)
			}
		}
		if err := s.Flush(context.Background(), nil); err != nil && !errors.Is(err, syscall.ENOSPC) {
			t.Fatal(err)
		}
	}
	if held := s.Stats().OpenReadings; held > sealAt {
		t.Errorf("%d readings are open", held)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(ctx); err != nil {
		t.Fatal(err)
	}
	s, _ = open(t, dir)
	kept := uint64(0)
	for _, p := range r.probes {
		got := readAll(t, s, p, time.Time{}, farFuture)
		kept += uint64(len(got))
		for i := 1; i < len(got); i++ {
			if apart := got[i].At.Mono - got[i-1].At.Mono; apart > 30*time.Second {
				t.Fatalf("probe %s: %v without a reading", p, apart)
			}
		}
	}
	all := uint64(batches * 18 * 48)
	t.Logf("%d of %d readings kept, %d told as lost", kept, all, told)
	if kept+told != all || kept < all*3/4 {
		t.Errorf("%d kept and %d told as lost, of %d", kept, told, all)
	}
}
