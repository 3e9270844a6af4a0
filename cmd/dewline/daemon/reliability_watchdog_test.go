package daemon

import (
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

// A valve is a source that reads its probes every poll until it is shut.
type valve struct {
	sensors.Poller // of nothing
	dials          map[string]*dial
	cfg            *configs.Config
	now            func() sensors.Instant

	mu   sync.Mutex // guards shut
	shut bool
}

func (v *valve) Run(ctx context.Context, s Sink) error {
	ticker := time.NewTicker(v.cfg.Room.Poll.D())
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
		v.mu.Lock()
		shut := v.shut
		v.mu.Unlock()
		if shut {
			continue
		}
		for _, p := range v.cfg.Probes {
			id := sensors.ProbeID(p.ID)
			sample, err := v.dials[p.ID].Sample(ctx)
			s.Reading(table.NewJudge(id, p.Family).Read(v.now(), sample, err))
		}
	}
}

func (v *valve) close() {
	v.mu.Lock()
	v.shut = true
	v.mu.Unlock()
}

func (v *valve) KeepsTime() bool              { return false }
func (v *valve) Correct(*sensors.Corrections) {}

// The watchdog is fed by evidence: it starves when readings stop coming and
// when the core stands still, though the process and its ticker go on.
func TestWatchdog_StarvesWithoutRounds(t *testing.T) {
	for _, c := range []struct {
		name string
		stop func(*valve, *Daemon) (resume func())
	}{
		{"no more readings", func(v *valve, _ *Daemon) func() { v.close(); return func() {} }},
		{"the core stands still", func(_ *valve, d *Daemon) func() {
			held := make(chan struct{})
			d.loop.post(context.Background(), func(sensors.Instant) { <-held })
			return func() { close(held) }
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			said := watchedDaemon(t, c.stop)
			first, second := slices.Index(said, "MARK"), 0
			for i, s := range said {
				if s == "MARK" {
					second = i
				}
			}
			fed := func(list []string) (n int) {
				for _, s := range list {
					if s == "WATCHDOG=1" {
						n++
					}
				}
				return n
			}
			if said[0] != "READY=1" || said[len(said)-1] != "STOPPING=1" {
				t.Errorf("the first word is %q and the last %q", said[0], said[len(said)-1])
			}
			if n := fed(said[:first]); n < 25 || n > 31 {
				t.Errorf("fed %d times in five minutes of rounds, want one each 10 s", n)
			}
			// Three polls and ten seconds of grace: at most four more.
			if n := fed(said[first:second]); n > 5 {
				t.Errorf("fed %d times in the first minute without a round", n)
			}
			if n := fed(said[second:]); n > 0 {
				t.Errorf("fed %d times later on", n)
			}
		})
	}
}

// watchedDaemon runs a daemon for five minutes, stops its rounds, marks that
// moment and one a minute later, waits five minutes more, and returns what the
// service manager heard.
func watchedDaemon(t *testing.T, stop func(*valve, *Daemon) func()) (said []string) {
	t.Helper()
	short, err := os.MkdirTemp("", "dw") // the path of a socket must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(short) })
	path := filepath.Join(short, "notify")
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "20000000")
	t.Setenv("WATCHDOG_PID", "")
	dir := t.TempDir()
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var done sync.WaitGroup
	done.Go(func() {
		b := make([]byte, 256)
		for {
			n, err := conn.Read(b)
			if err != nil {
				t.Error(err)
				return
			}
			if said = append(said, string(b[:n])); string(b[:n]) == "STOPPING=1" {
				return
			}
		}
	})
	mark := func() { (&manager{addr: path, log: slog.New(slog.NewTextHandler(t.Output(), nil))}).tell("MARK") }
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 3, "10 s", atOnce)
		all, _ := dials(cfg, 23, 85)
		v := &valve{dials: all, cfg: cfg}
		d, err := New(Options{
			Config: cfg, Dir: dir, Channels: map[string]alert.Channel{"mqtt": &mailbox{}}, PublishEvery: time.Second,
			Clock: func(resume time.Duration) func() sensors.Instant {
				return sensors.NewClock(resume, func() bool { return true }).Now
			},
			Source: func(_ *configs.Config, now func() sensors.Instant, _ map[sensors.ProbeID]sensors.Ageing) (Source, error) {
				v.now = now
				return v, nil
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- d.Run(ctx) }()
		time.Sleep(5*time.Minute + time.Second)
		resume := stop(v, d)
		mark()
		time.Sleep(time.Minute)
		mark()
		time.Sleep(5 * time.Minute)
		resume()
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	done.Wait()
	return said
}
