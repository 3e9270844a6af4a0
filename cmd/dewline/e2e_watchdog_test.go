package main

import (
	"net"
	"slices"
	"sync"
	"syscall"
	"testing"
)

// A manager is the service manager's end of sd_notify(3).
type manager struct {
	conn *net.UnixConn
	mu   sync.Mutex // guards said
	said []string
}

func newManager(t *testing.T, path string) *manager {
	t.Helper()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	m := &manager{conn: conn}
	var done sync.WaitGroup
	done.Go(func() {
		b := make([]byte, 1024)
		for {
			n, err := conn.Read(b)
			if err != nil {
				return
			}
			m.mu.Lock()
			m.said = append(m.said, string(b[:n]))
			m.mu.Unlock()
		}
	})
	t.Cleanup(func() { _ = conn.Close(); done.Wait() })
	return m
}

func (m *manager) all() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.said)
}

func (m *manager) count(state string) int {
	n := 0
	for _, s := range m.all() {
		if s == state {
			n++
		}
	}
	return n
}

// The service manager hears READY=1 first and once, WATCHDOG=1 while rounds of
// readings and rules are finished, and STOPPING=1 at the end. The words are
// those of sd_notify(3). That the feeding ends with the rounds is tested in
// package daemon.
func TestWatchdog_Fed(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern")
	m := newManager(t, s.path("notify"))
	env := []string{"NOTIFY_SOCKET=" + s.path("notify"), "WATCHDOG_USEC=400000", "WATCHDOG_PID="}
	p := s.run(env...)
	s.ready(p)
	eventually(t, "READY=1", func() bool { return m.count("READY=1") == 1 })
	eventually(t, "the watchdog is fed", func() bool { return m.count("WATCHDOG=1") >= 5 })
	if all := m.all(); all[0] != "READY=1" {
		t.Errorf("the first word is %q, want READY=1", all[0])
	}
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
	eventually(t, "STOPPING=1", func() bool { return m.count("STOPPING=1") == 1 })
	all := m.all()
	if n := m.count("READY=1"); n != 1 || all[len(all)-1] != "STOPPING=1" {
		t.Errorf("READY=1 came %d times and the last word is %q; want once, and STOPPING=1", n, all[len(all)-1])
	}
}

// A watchdog that was set up for another process is not ours to feed.
func TestWatchdog_OfAnotherProcess(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern")
	m := newManager(t, s.path("notify"))
	p := s.run("NOTIFY_SOCKET="+s.path("notify"), "WATCHDOG_USEC=20000", "WATCHDOG_PID=1")
	s.ready(p)
	if code := p.stop(); code != exitOK {
		t.Errorf("exit %d", code)
	}
	eventually(t, "STOPPING=1", func() bool { return m.count("STOPPING=1") == 1 })
	if n := m.count("WATCHDOG=1"); n != 0 {
		t.Errorf("fed %d times although the manager asked another process", n)
	}
}

// One probe that hangs for ever hides no other, delays no stop, and is told.
func TestHangingProbe(t *testing.T) {
	t.Parallel()
	s := newSite(t, "moss", "fern", "cork")
	s.write("dewline.toml", s.text())
	hang(t, s, "fern")
	p := s.resume()
	s.ready(p)
	s.overheat("moss", 30.2)
	s.state("lethal-ceiling", "moss", "UNACK")
	eventually(t, "fern's probe is reported as hanging", func() bool {
		snap, _ := s.room()
		for _, v := range snap.Probes {
			if v.ID == "p-fern" {
				return v.Reason == "timed-out"
			}
		}
		return false
	})
	if code := p.stop(); code != exitOK { // beside a hanging probe
		t.Errorf("exit %d", code)
	}
}

// hang puts a named pipe in the place of a probe's file: opening it waits.
func hang(t *testing.T, s *site, enclosure string) {
	t.Helper()
	pipe := s.path("probe", enclosure, "in_temp_input")
	if err := syscall.Unlink(pipe); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
}
