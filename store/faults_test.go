package store

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A faultyFile swaps what the library's descriptor stands for.
type faultyFile struct{ fd, good int }

func (f *faultyFile) open(name string, flag int, perm os.FileMode) (*os.File, error) {
	file, err := os.OpenFile(name, flag, perm)
	if err == nil && filepath.Base(name) == FileName {
		f.fd = int(file.Fd())
		f.good, err = unix.Dup(f.fd)
	}
	return file, err
}

func (f *faultyFile) swap(t *testing.T, path string, flag int) {
	t.Helper()
	bad, err := unix.Open(path, flag, 0)
	if err != nil {
		t.Skipf("cannot open %s: %v", path, err)
	}
	if err := unix.Dup3(bad, f.fd, 0); err != nil {
		t.Fatal(err)
	}
	_ = unix.Close(bad)
}

func (f *faultyFile) mend(t *testing.T) {
	t.Helper()
	if err := unix.Dup3(f.good, f.fd, 0); err != nil {
		t.Fatal(err)
	}
}

// TestRecordingResumes lets every write fail for hours, and asks that readings
// stay readable meanwhile and are all on record afterwards.
func TestRecordingResumes(t *testing.T) {
	for _, fault := range []struct {
		name, path string
		flag       int
	}{
		{"device full", "/dev/full", unix.O_RDWR},
		{"read-only", "", unix.O_RDONLY},
	} {
		t.Run(fault.name, func(t *testing.T) {
			var f faultyFile
			s, _, err := Open(context.Background(), Options{Dir: memDir(t), openFile: f.open})
			if err != nil {
				t.Fatal(err)
			}
			r := newRoom(3, 3)
			want := fill(t, s, r, 90*time.Minute)
			path := fault.path
			if path == "" {
				path = s.path
			}
			f.swap(t, path, fault.flag)
			for range 300 { // minutes
				for range 6 {
					for _, x := range r.next() {
						s.Append(x)
						want[x.Probe] = append(want[x.Probe], x)
					}
				}
				if err := s.Flush(context.Background(), nil); err == nil {
					t.Fatal("flush says nothing")
				}
			}
			if err := s.Commit(Commit{Docs: []Doc{{BucketAlarms, "k", []byte("v")}}}); err == nil {
				t.Fatalf("commit says %v", err)
			}
			for _, p := range r.probes {
				compare(t, readAll(t, s, p, time.Time{}, farFuture), want[p])
			}
			f.mend(t)
			for p, more := range fill(t, s, r, 30*time.Minute) {
				want[p] = append(want[p], more...)
			}
			st := s.Stats()
			if st.Errors < 300 || st.Lost != 0 || st.Unwritten != 0 {
				t.Fatalf("stats %+v", st)
			}
			if err := s.Close(context.Background()); err != nil {
				t.Fatal(err)
			}
			s2, _ := open(t, filepath.Dir(s.path))
			for _, p := range r.probes {
				compare(t, readAll(t, s2, p, time.Time{}, farFuture), want[p])
			}
		})
	}
}

// TestFullDisk fills a small real file system to its last byte.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=700k"); err != nil {
		t.Skipf("cannot mount a small file system: %v", err)
	}
	defer func() { _ = unix.Unmount(dir, unix.MNT_DETACH) }()
	s, _, err := Open(context.Background(), Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	r := newRoom(3, 4)
	want := fill(t, s, r, time.Hour)
	ballast := filepath.Join(dir, "ballast")
	f, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = f.Write(bytes.Repeat([]byte{1}, 512))
	}
	_ = f.Close()
	failed := 0
	for range 1200 {
		for range 6 {
			for _, x := range r.next() {
				s.Append(x)
				want[x.Probe] = append(want[x.Probe], x)
			}
		}
		if err := s.Flush(context.Background(), nil); errors.Is(err, syscall.ENOSPC) {
			failed++
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if failed == 0 {
		t.Fatal("the full disk took everything")
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(context.Background()); err != nil {
		t.Fatal(err)
	}
	s2, _, err := Open(context.Background(), Options{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer s2.Close(context.Background())
	for _, p := range r.probes {
		compare(t, readAll(t, s2, p, time.Time{}, farFuture), want[p])
	}
	t.Logf("%d of 1200 flushes failed", failed)
}

// TestFailedCalls makes system calls of a writer fail under it, once and for a
// while: no reading may be missing at the end, and no commit that was reported.
func TestFailedCalls(t *testing.T) {
	t.Parallel()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	for _, inject := range []string{
		"pwrite64:error=EIO:when=9", "pwrite64:error=EIO:when=20..60", "pwrite64:error=ENOSPC:when=30..90",
		"pwrite64:error=EROFS:when=14..140", "fdatasync:error=EIO:when=7", "fdatasync:error=EIO:when=8..20",
		"ftruncate:error=ENOSPC:when=2..5",
	} {
		t.Run(inject, func(t *testing.T) {
			dir := t.TempDir()
			call, _, _ := strings.Cut(inject, ":")
			cmd := exec.Command(strace, "-f", "--seccomp-bpf", "-o", filepath.Join(t.TempDir(), "trace"), "-e", "trace="+call, "-e", "inject="+inject, os.Args[0])
			cmd.Env = append(os.Environ(), "DEWLINE_STORE_VICTIM="+dir, "DEWLINE_STORE_FLUSHES=130", "GOMAXPROCS=1")
			var errs bytes.Buffer
			cmd.Stderr = &errs
			out, err := cmd.Output()
			if err != nil {
				if strings.Contains(errs.String(), "PTRACE") {
					t.Skipf("strace may not trace here: %s", errs.String())
				}
				t.Fatalf("the writer gave up: %v\n%s", err, errs.String())
			}
			last, committed, failed := -1, 0, 0
			for lines := bufio.NewScanner(bytes.NewReader(out)); lines.Scan(); {
				var what string
				var n int
				if _, err := fmt.Sscan(lines.Text(), &what, &n); err != nil {
					t.Fatal(err)
				}
				switch what {
				case "f":
					last = n
				case "c":
					committed = n
				default:
					failed++
				}
			}
			if last != 130*victimPolls-1 {
				t.Fatalf("flushed up to %d", last)
			}
			checkVictim(t, dir, last, committed)
			t.Logf("%d writes failed", failed)
		})
	}
}
