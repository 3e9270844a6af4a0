package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/store"

	"golang.org/x/sys/unix"
)

// A faultySite is a room whose card is about to fail, with a phone that stays
// connected.
type faultySite struct {
	*site
	p      *program
	pocket *pocket
}

// newFaultySite starts the real binary.
func newFaultySite(t *testing.T, s *site) *faultySite {
	t.Helper()
	s.extra = "[rules]\nfloor_on_delay = \"0 s\"\nfloor_off_delay = \"0 s\"\ndoor_excuse = \"0 s\"\n"
	b, err := startBroker()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	s.broker = "tcp://" + b.addr
	f := &faultySite{site: s, pocket: newPocket(t, b.addr)}
	f.p = s.run()
	s.ready(f.p)
	return f
}

// written waits until the record is being written.
func (f *faultySite) written() {
	f.t.Helper()
	eventually(f.t, "the record is being written", func() bool {
		snap, ok := f.room()
		return ok && snap.Record.OK && snap.Record.Commits > 3
	})
}

// held returns the alarm document on record of a stopped program, nil for none.
func (f *faultySite) held(key string) []byte {
	f.t.Helper()
	ctx := context.Background()
	st, _, err := store.Open(ctx, store.Options{Dir: f.data(), ReadOnly: true})
	if err != nil {
		f.t.Fatal(err)
	}
	defer st.Close(ctx)
	b, err := st.Get(store.BucketAlarms, key)
	if err != nil {
		f.t.Error(err)
	}
	return b
}

// told waits until the phone knows of an alarm.
func (f *faultySite) told(id alarm.ID, subject string) {
	f.t.Helper()
	eventually(f.t, fmt.Sprintf("the phone is told of %s of %s", id, subject), func() bool {
		return len(f.pocket.ids(id, subject)) > 0
	})
}

// whole stops the program and asks the record for what happened during the
// fault: every alarm, an unbroken journal, and each reading that was taken.
func (f *faultySite) whole(alarms ...string) {
	f.t.Helper()
	taken := int(f.probe("p-fern").Readings)
	if code := f.p.stop(); code != exitOK {
		f.t.Errorf("stopped with exit %d", code)
	}
	ctx := context.Background()
	st, rep, err := store.Open(ctx, store.Options{Dir: f.data(), ReadOnly: true})
	if err != nil {
		f.t.Fatalf("the record: %v, %+v", err, rep)
	}
	defer st.Close(ctx)
	if _, err := st.VerifyJournal(); err != nil {
		f.t.Error(err)
	}
	told := map[string]bool{}
	for e, err := range st.Journal(time.Time{}, time.Time{}) {
		if err != nil {
			f.t.Fatal(err)
		}
		if a, ok := e.Body.(event.Alarm); ok {
			told["alarm "+a.Alarm+"/"+a.Subject+" "+a.To] = true
		}
	}
	for _, a := range alarms {
		if !told["alarm "+a+" UNACK"] {
			f.t.Errorf("alarm %s is not in the journal", a)
		}
	}
	n := 0
	for _, err := range st.Readings(ctx, "p-fern", time.Time{}, time.Now().Add(time.Minute)) {
		if err != nil {
			f.t.Fatal(err)
		}
		n++
	}
	if n < max(taken, 5) {
		f.t.Errorf("%d readings on record of %d that were taken", n, taken)
	}
}

// An injector makes system calls of a running process fail, until it is let go.
type injector struct {
	t     *testing.T
	cmd   *exec.Cmd
	out   bytes.Buffer
	ended chan struct{} // closed when strace is gone
	err   error         // of its end
}

// inject attaches strace; what is one of strace's own expressions. It skips the test
// where one process may not trace another (Yama's ptrace_scope; some containers).
func inject(t *testing.T, pid int, what string) *injector {
	t.Helper()
	strace, err := exec.LookPath("strace")
	if err != nil {
		t.Skip("strace is not installed")
	}
	log := t.TempDir() + "/trace"
	calls, _, _ := strings.Cut(what, ":")
	i := &injector{t: t, cmd: exec.Command(strace, "-f", "-o", log, "-p", fmt.Sprint(pid), "-e", "trace="+calls, "-e", "inject="+what), ended: make(chan struct{})}
	i.cmd.Stdout, i.cmd.Stderr = &i.out, &i.out
	if err := i.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		i.err = i.cmd.Wait()
		close(i.ended)
	}()
	t.Cleanup(i.end)
	eventually(t, "calls fail", func() bool {
		select {
		case <-i.ended:
			if strings.Contains(i.out.String(), "Operation not permitted") {
				t.Skipf("strace may not trace here: %s", i.out.String())
			}
			t.Fatalf("strace: %v\n%s", i.err, i.out.String())
		default:
		}
		b, err := os.ReadFile(log)
		return err == nil && (bytes.Contains(b, []byte("(INJECTED)")) || strings.Contains(what, "delay") && len(b) > 0)
	})
	return i
}

// end lets the process go, and with it the fault.
func (i *injector) end() {
	_ = i.cmd.Process.Signal(syscall.SIGINT) // it may have ended
	<-i.ended
	var exit *exec.ExitError
	if i.err != nil && !errors.As(i.err, &exit) {
		i.t.Errorf("strace: %v\n%s", i.err, i.out.String())
	}
}

// Every write of the real binary fails, once or until the card is mended, while
// an enclosure overheats: the phone is told of both, and recording goes on by
// itself with nothing missing. DEWLINE_LONG=1 takes every way to fail; all of them
// are tried on the store alone (store/faults_test.go).
func TestFailingCardOfTheDaemon(t *testing.T) {
	t.Parallel()
	const writes = "pwrite64,fdatasync,fsync,ftruncate"
	errnos := []string{"EIO"}
	if long() {
		errnos = append(errnos, "EROFS", "ENOSPC")
	}
	for _, errno := range errnos {
		t.Run(errno+" for ever", func(t *testing.T) {
			t.Parallel()
			f := newFaultySite(t, newSite(t, "fern", "moss"))
			f.written()
			fault := inject(t, f.p.cmd.Process.Pid, writes+":error="+errno)
			f.climate("fern", 30.2, 84)
			f.told(alarm.LethalLimit, "fern")
			f.told(alarm.RecordIncomplete, rules.Self)
			f.state(alarm.RecordIncomplete, rules.Self, "UNACK")
			if snap, _ := f.room(); snap.Record.OK {
				t.Error("a record that cannot be written counts as written")
			}
			fault.end()
			f.state(alarm.RecordIncomplete, rules.Self, "RTNUN")
			f.whole("lethal-ceiling/fern", "record-incomplete/dewline")
		})
		t.Run(errno+" once", func(t *testing.T) {
			t.Parallel()
			f := newFaultySite(t, newSite(t, "fern", "moss"))
			f.written()
			fault := inject(t, f.p.cmd.Process.Pid, writes+":error="+errno+":when=1")
			f.climate("fern", 30.2, 84)
			f.told(alarm.LethalLimit, "fern")
			eventually(t, "the record is being written", func() bool {
				snap, ok := f.room()
				return ok && snap.Record.OK && snap.Record.Errors > 0
			})
			fault.end()
			f.whole("lethal-ceiling/fern")
		})
	}
}

// A card that hangs reports no error, and is told of all the same.
func TestHangingCardOfTheDaemon(t *testing.T) {
	t.Parallel()
	f := newFaultySite(t, newSite(t, "fern", "moss"))
	f.written()
	fault := inject(t, f.p.cmd.Process.Pid, "pwrite64,fdatasync:delay_enter=60s")
	f.climate("fern", 30.2, 84)
	f.told(alarm.LethalLimit, "fern")
	f.told(alarm.RecordIncomplete, rules.Self)
	fault.end()
	f.state(alarm.RecordIncomplete, rules.Self, "RTNUN")
	f.whole("lethal-ceiling/fern", "record-incomplete/dewline")
}

// The card is filled to its last byte under the real binary while an enclosure
// overheats, and then before it is started for the first time.
func TestFullCardOfTheDaemon(t *testing.T) {
	t.Parallel()
	small := func(t *testing.T) *site {
		s := newSite(t, "fern", "moss")
		if err := os.MkdirAll(s.data(), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := unix.Mount("tmpfs", s.data(), "tmpfs", 0, "size=1m"); err != nil {
			t.Skipf("cannot mount a small file system: %v", err)
		}
		t.Cleanup(func() { _ = unix.Unmount(s.data(), unix.MNT_DETACH) })
		return s
	}
	warns := func(t *testing.T, f *faultySite, ballast string) {
		t.Helper()
		f.climate("fern", 30.2, 84)
		f.told(alarm.LethalLimit, "fern")
		f.told(alarm.RecordIncomplete, rules.Self)
		f.state(alarm.RecordIncomplete, rules.Self, "UNACK")
		if err := os.Remove(ballast); err != nil {
			t.Fatal(err)
		}
		f.state(alarm.RecordIncomplete, rules.Self, "RTNUN")
	}
	t.Run("while it runs", func(t *testing.T) {
		t.Parallel()
		f := newFaultySite(t, small(t))
		f.written()
		warns(t, f, fillUp(t, f.data()))
		f.whole("lethal-ceiling/fern", "record-incomplete/dewline")
	})
	t.Run("from the start", func(t *testing.T) {
		t.Parallel()
		s := small(t)
		ballast := fillUp(t, s.data())
		f := newFaultySite(t, s)
		warns(t, f, ballast)
		f.written()
		f.whole()
		if got := f.held("lethal-ceiling/fern"); got == nil {
			t.Error("the alarm of before is not on record")
		}
	})
}

// fillUp writes a file into dir until not one byte more goes in.
func fillUp(t *testing.T, dir string) string {
	t.Helper()
	file, err := os.CreateTemp(dir, "ballast-")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for size := 4096; size > 0; {
		if _, err := file.Write(make([]byte, size)); err != nil {
			if !errors.Is(err, syscall.ENOSPC) {
				t.Fatal(err)
			}
			size /= 2
		}
	}
	return file.Name()
}
