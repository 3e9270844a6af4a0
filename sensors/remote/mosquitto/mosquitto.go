// Package mosquitto runs Debian's MQTT broker for tests, on loopback. Nothing
// but tests imports it.
package mosquitto

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// patience is how long a broker may take to listen before the test fails.
const patience = 2 * time.Minute

// A Broker is one Mosquitto. It keeps its port over a stop and a new start, as
// a broker at home does.
type Broker struct {
	t     testing.TB
	bin   string
	conf  string // path
	lines []string
	port  int // 0 before the first start
	cmd   *exec.Cmd
	ended chan struct{} // closed once cmd has ended
	log   string        // path
}

// Program is the path of the broker's program. It skips the test where there is
// none.
func Program(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"mosquitto", "/usr/sbin/mosquitto"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Skip("mosquitto is not installed; the tests against a real broker are left out")
	return ""
}

// New describes a broker whose configuration has these lines beside its
// listener, which they are about where they can be. It skips the test where
// there is no Mosquitto. The broker is killed at the end of the test.
func New(t testing.TB, lines ...string) *Broker {
	t.Helper()
	bin := Program(t)
	if !strings.Contains(strings.Join(lines, "\n"), "allow_anonymous") {
		lines = append(lines, "allow_anonymous true")
	}
	if os.Getuid() == 0 {
		lines = append(lines, "user root") // else it drops rights and cannot read test files
	}
	b := &Broker{t: t, bin: bin, conf: filepath.Join(t.TempDir(), "mosquitto.conf"), log: filepath.Join(t.TempDir(), "log"), lines: lines}
	t.Cleanup(b.Kill)
	return b
}

// Start runs the broker and waits until it listens. It cannot be asked for a
// port that is free, so it tries some until one is; from then on it wants that
// one, also where another has taken it and has to go first.
func (b *Broker) Start() {
	b.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); {
		port := b.port
		if port == 0 {
			port = 20000 + rand.IntN(12000) // below those that Linux gives to connections
		}
		if b.listens(port) {
			b.port = port
			return
		}
	}
	b.t.Fatalf("mosquitto does not listen:\n%s", b.said())
}

// said is what the broker wrote since it was started last.
func (b *Broker) said() string {
	text, err := os.ReadFile(b.log)
	if err != nil {
		b.t.Fatal(err)
	}
	return string(text)
}

// listens starts the broker on a port and reports whether it got it.
func (b *Broker) listens(port int) bool {
	b.t.Helper()
	text := fmt.Sprintf("listener %d 127.0.0.1\n%s\n", port, strings.Join(b.lines, "\n"))
	if err := os.WriteFile(b.conf, []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
	log, err := os.Create(b.log)
	if err != nil {
		b.t.Fatal(err)
	}
	defer log.Close()
	b.cmd, b.ended = exec.Command(b.bin, "-c", b.conf), make(chan struct{})
	b.cmd.Stderr = log
	if err := b.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	go func(cmd *exec.Cmd, ended chan struct{}) {
		_ = cmd.Wait() // killed, most often
		close(ended)
	}(b.cmd, b.ended)
	look, timer := time.NewTicker(5*time.Millisecond), time.NewTimer(patience)
	defer look.Stop()
	defer timer.Stop()
	for {
		select {
		case <-look.C:
			if strings.Contains(b.said(), " running\n") {
				return true
			}
		case <-b.ended:
			b.cmd = nil
			if said := b.said(); !strings.Contains(said, "Address already in use") {
				b.t.Fatalf("mosquitto ended:\n%s", said)
			}
			return false
		case <-timer.C:
			b.t.Fatalf("mosquitto does not listen:\n%s", b.said())
		}
	}
}

// Stop ends the broker, which saves its queue where it keeps one.
func (b *Broker) Stop() { b.end(syscall.SIGTERM) }

// Kill ends the broker, which saves nothing.
func (b *Broker) Kill() { b.end(syscall.SIGKILL) }

func (b *Broker) end(sig os.Signal) {
	if b.cmd == nil {
		return
	}
	_ = b.cmd.Process.Signal(sig) // it may have ended already
	<-b.ended
	b.cmd = nil
}

// Signal sends the running broker a signal, such as SIGSTOP and SIGCONT.
func (b *Broker) Signal(sig os.Signal) {
	b.t.Helper()
	if err := b.cmd.Process.Signal(sig); err != nil {
		b.t.Fatal(err)
	}
}

// Port is the broker's port of 127.0.0.1, once it was started.
func (b *Broker) Port() int { return b.port }

// Addr is host and port, once it was started.
func (b *Broker) Addr() string { return fmt.Sprintf("127.0.0.1:%d", b.port) }

// URL is the broker's address without TLS, once it was started.
func (b *Broker) URL() string { return "tcp://" + b.Addr() }
