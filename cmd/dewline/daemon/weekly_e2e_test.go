package daemon

import (
	"context"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/sim"

	"github.com/emersion/go-smtp"
)

// A weeklyBox is a real SMTP server (emersion/go-smtp) that keeps what it gets.
type weeklyBox struct {
	mu     sync.Mutex // guards what follows
	got    []string
	refuse error
	more   chan struct{}
	turned chan struct{} // a mail was turned away
	port   int
}

func newWeeklyBox(t *testing.T) *weeklyBox {
	t.Helper()
	m := &weeklyBox{more: make(chan struct{}, 100), turned: make(chan struct{}, 100)}
	srv := smtp.NewServer(smtp.BackendFunc(func(*smtp.Conn) (smtp.Session, error) { return &weeklySession{m}, nil }))
	srv.Domain = "localhost"
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	m.port = l.Addr().(*net.TCPAddr).Port
	go srv.Serve(l)
	t.Cleanup(func() { srv.Close() })
	return m
}

type weeklySession struct{ m *weeklyBox }

func (*weeklySession) Reset()                               {}
func (*weeklySession) Logout() error                        { return nil }
func (*weeklySession) Mail(string, *smtp.MailOptions) error { return nil }
func (s *weeklySession) Rcpt(string, *smtp.RcptOptions) error {
	s.m.mu.Lock()
	defer s.m.mu.Unlock()
	if s.m.refuse != nil {
		s.m.turned <- struct{}{}
	}
	return s.m.refuse
}

func (s *weeklySession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	s.m.mu.Lock()
	s.m.got = append(s.m.got, string(b))
	s.m.mu.Unlock()
	s.m.more <- struct{}{}
	return err
}

func (m *weeklyBox) count() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.got)
}

// wait waits for n mails more, or until limit.
func (m *weeklyBox) wait(n int, limit time.Duration) bool {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	for range n {
		select {
		case <-m.more:
		case <-timer.C:
			return false
		}
	}
	return true
}

// weekendRoom runs a whole daemon over a simulated room from a moment on until
// the returned function is called.
func weekendRoom(t *testing.T, cfg *configs.Config, dir string, start time.Time, speed float64) (stop func()) {
	t.Helper()
	o, err := sim.FromConfig(cfg, 1, start)
	if err != nil {
		t.Fatal(err)
	}
	room, err := sim.New(o)
	if err != nil {
		t.Fatal(err)
	}
	sim := NewSimulation(cfg, room, speed, 0)
	d, err := New(Options{Config: cfg, Dir: dir, Log: slog.New(slog.DiscardHandler), Clock: sim.Clock,
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return sim, nil
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.Run(ctx) }()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

// TestWeeklyMail runs whole daemons: one over the sending minute, at first at a
// mail server that turns mail away; it retries. The mail arrives once, and
// daemons started again within the same hour send none.
func TestWeeklyMail(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	box := newWeeklyBox(t)
	box.refuse = &smtp.SMTPError{Code: 450, Message: "not now"}
	p := newPost(t, strings.Replace(summaryPeople, `channels = ["mqtt", "mail"]`, `channels = ["mqtt"]`, 1), time.Time{})
	p.cfg.MQTT.Broker, p.cfg.HTTP.Listen, p.cfg.Mail.Port = "", "", box.port
	dir := t.TempDir()
	// Nine hours until it is sent take seconds, and the week until the next one minutes.
	stop := weekendRoom(t, p.cfg, dir, berlin(t, "2026-11-22 22:00:00"), 5_000)
	defer func() { stop() }()
	<-box.turned
	box.mu.Lock()
	box.refuse = nil
	box.mu.Unlock()
	if !box.wait(2, 2*time.Minute) {
		t.Fatalf("%d mails arrived, want 2", box.count())
	}
	stop()
	for _, at := range []string{"2026-11-24 07:00:00", "2026-11-24 07:30:00"} {
		again := weekendRoom(t, p.cfg, dir, berlin(t, at), 60)
		if box.wait(1, 2500*time.Millisecond) {
			t.Fatalf("a daemon started at %s sent it again", at)
		}
		again()
	}
	stop = func() {}
	box.mu.Lock()
	defer box.mu.Unlock()
	for _, m := range box.got {
		if !strings.Contains(m, "2026-W47") || !strings.Contains(m, "image/png") || !strings.Contains(m, "Auto-Submitted: auto-generated") {
			t.Errorf("not the summary of week 47 with its picture:\n%.800s", m)
		}
	}
}
