package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/cmd/dewline/built"
	"dewline/rules/alarm"
)

// patience is how long a test waits for what must come but whose moment is no
// promise. It is wide since the machine may be busy with other tests.
const patience = 2 * time.Minute

// long reports whether the long checks were asked for:
//
//	DEWLINE_LONG=1 go test -timeout 60m ./cmd/...
func long() bool { return os.Getenv("DEWLINE_LONG") != "" }

func TestMain(m *testing.M) {
	// These tests wait for processes far more than they compute.
	flag.Parse()
	if err := flag.Set("test.parallel", "8"); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// eventually waits until cond holds, and fails the test with what is missing
// after patience.
func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	ticker := time.NewTicker(20 * time.Millisecond)
	defer ticker.Stop()
	for end := time.Now().Add(patience); !cond(); <-ticker.C {
		if time.Now().After(end) {
			t.Fatalf("after %s still not: %s", patience, what)
		}
	}
}

// A site is a room whose probes are directories like those of the kernel's
// industrial I/O, which the test writes.
type site struct {
	t          *testing.T
	dir        string // of everything
	enclosures []string
	broker     string // "tcp://…"; empty for none
	extra      string // more of the configuration
	listen     string // of the page; empty for none
	token      string
}

// shortDir is a folder for sockets, whose paths must be short: less than 108 bytes
// with that of the system's temporary folder (unix(7)).
func shortDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "dw")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

func newSite(t *testing.T, enclosures ...string) *site {
	t.Helper()
	s := &site{t: t, dir: shortDir(t), enclosures: enclosures, token: "let-me-in"}
	for _, e := range enclosures {
		s.climate(e, 24.5, 84)
	}
	s.climate("room", 21, 50)
	s.write("token", s.token+"\n")
	return s
}

func (s *site) path(name ...string) string { return filepath.Join(append([]string{s.dir}, name...)...) }
func (s *site) data() string               { return s.path("data") }
func (s *site) config() string             { return s.path("dewline.toml") }
func (s *site) socket() string             { return s.path("control.sock") }

// write replaces a file all at once.
func (s *site) write(name, text string) {
	s.t.Helper()
	file := s.path(name)
	if err := os.MkdirAll(filepath.Dir(file), 0o700); err != nil {
		s.t.Fatal(err)
	}
	if err := os.WriteFile(file+"~", []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Rename(file+"~", file); err != nil {
		s.t.Fatal(err)
	}
}

// climate lets an enclosure's probe, or the room's, show other values from the
// next poll on. Units of the files are thousandths, as the kernel's.
func (s *site) climate(enclosure string, celsius, percent float64) {
	s.t.Helper()
	s.write(filepath.Join("probe", enclosure, "in_temp_input"), fmt.Sprintf("%.0f\n", celsius*1000))
	s.write(filepath.Join("probe", enclosure, "in_humidityrelative_input"), fmt.Sprintf("%.0f\n", percent*1000))
}

// text is the configuration: one rack for each enclosure, polled every second.
func (s *site) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "[room]\nid = \"den\"\nname = \"The den\"\ntimezone = \"UTC\"\npoll = \"1 s\"\n\n[http]\nlisten = %q\ntoken_file = %q\n\n[store]\ndir = %q\nbatch = \"1 s\"\n\n",
		s.listen, s.path("token"), s.data())
	if s.broker != "" {
		fmt.Fprintf(&b, "[mqtt]\nbroker = %q\ncommand_token_file = %q\nheartbeat = \"5 s\"\n\n", s.broker, s.path("token"))
		b.WriteString("[[person]]\nid = \"keeper\"\nchannels = [\"mqtt\"]\n\n")
	}
	b.WriteString("[[probe]]\nid = \"p-room\"\nfamily = \"iio\"\nplace = \"room\"\npath = \"" + s.path("probe", "room") + "\"\n\n")
	for _, e := range s.enclosures {
		fmt.Fprintf(&b, "[[enclosure]]\nid = %q\nrack = \"rack-%s\"\nshelf = 1\nslot = 1\nspecies = \"dendrobates-tinctorius\"\nvolume = \"90 L\"\n\n", e, e)
		fmt.Fprintf(&b, "[[probe]]\nid = \"p-%s\"\nfamily = \"iio\"\nplace = \"canopy\"\nenclosure = %q\npath = %q\n\n", e, e, s.path("probe", e))
	}
	return b.String() + s.extra
}

// A program is the real binary at work.
type program struct {
	t       *testing.T
	cmd     *exec.Cmd
	log     *screen
	started time.Time
	ended   chan struct{} // closed when the process is gone
	err     error         // of its end
}

// A screen collects what a process writes.
type screen struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *screen) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *screen) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// start runs the binary; a process that the test leaves behind is killed.
func start(t *testing.T, env []string, args ...string) *program {
	t.Helper()
	return startBinary(t, built.Dewline(t), env, args...)
}

// startBinary runs a binary that was built otherwise.
func startBinary(t *testing.T, bin string, env []string, args ...string) *program {
	t.Helper()
	p := &program{t: t, cmd: exec.Command(bin, args...), log: &screen{}, ended: make(chan struct{}), started: time.Now()}
	p.cmd.Stdout, p.cmd.Stderr = p.log, p.log
	p.cmd.Env = append(os.Environ(), env...)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			t.Logf("dewline %v wrote:\n%s", args, p.log)
		}
	})
	return p
}

// run starts dewline run in the site, with its configuration as it stands.
func (s *site) run(env ...string) *program {
	s.t.Helper()
	s.write("dewline.toml", s.text())
	return s.resume(env...)
}

// resume starts dewline run with the files as they are.
func (s *site) resume(env ...string) *program {
	s.t.Helper()
	return start(s.t, env, "run", "--config", s.config(), "--data", s.data(), "--control", s.socket(), "--verbose")
}

// kill ends the process without a warning and waits for its end.
func (p *program) kill() {
	_ = p.cmd.Process.Kill()
	<-p.ended
}

// stop asks the process to end and returns its exit code.
func (p *program) stop() int {
	p.t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		p.t.Fatalf("SIGTERM: %v", err)
	}
	return p.wait()
}

// wait returns the exit code once the process has ended by itself.
func (p *program) wait() int {
	p.t.Helper()
	select {
	case <-p.ended:
	case <-time.After(patience):
		p.t.Fatal("the program does not end")
	}
	return p.cmd.ProcessState.ExitCode()
}

// logged waits for a text in what the program wrote.
func (p *program) logged(want string) {
	p.t.Helper()
	eventually(p.t, fmt.Sprintf("%q in the log", want), func() bool { return strings.Contains(p.log.String(), want) })
}

// room asks the running program for what it knows; false while it does not
// answer or has not finished a round.
func (s *site) room() (wire.Room, bool) {
	var snap wire.Room
	err := (&control{socket: s.socket()}).get(s.t.Context(), "room", &snap)
	return snap, err == nil && snap.Rounds > 0
}

// ready waits for the first round of readings and rules, and returns what is
// known then.
func (s *site) ready(p *program) wire.Room {
	s.t.Helper()
	var snap wire.Room
	eventually(s.t, "the first round of readings and rules", func() bool {
		select {
		case <-p.ended:
			s.t.Fatalf("the program ended: %v", p.err)
		default:
		}
		var ok bool
		snap, ok = s.room()
		return ok
	})
	return snap
}

// keyOf names the alarm that a tells of.
func keyOf(a wire.Alarm) alarm.Key { return alarm.Key{Alarm: a.Alarm, Subject: a.Subject} }

// alarmIn returns an alarm of a snapshot; false where it is NORM.
func alarmIn(snap wire.Room, id alarm.ID, subject string) (wire.Alarm, bool) {
	for _, a := range snap.Alarms {
		if a.Alarm == id && a.Subject == subject {
			return a, true
		}
	}
	return wire.Alarm{}, false
}

// state waits until an alarm is in a state, which may be "NORM".
func (s *site) state(id alarm.ID, subject, want string) wire.Alarm {
	s.t.Helper()
	var a wire.Alarm
	eventually(s.t, fmt.Sprintf("%s of %s is %s", id, subject, want), func() bool {
		snap, ok := s.room()
		var open bool
		a, open = alarmIn(snap, id, subject)
		return ok && (open && a.State.String() == want || !open && want == "NORM")
	})
	return a
}

// command asks the running program through its control socket.
func (s *site) command(c alert.Command) error {
	return (&control{socket: s.socket()}).post(s.t.Context(), "command", c, nil)
}

// decode reads JSON or fails the test.
func decode(t *testing.T, text string, v any) {
	t.Helper()
	if err := json.Unmarshal([]byte(text), v); err != nil {
		t.Fatalf("%v in %q", err, text)
	}
}
