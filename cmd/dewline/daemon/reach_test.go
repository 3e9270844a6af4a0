package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/remote/mosquitto"
)

type lookFunc func() error

func (f lookFunc) Reach(context.Context) error { return f() }

// A server that is not found is looked for again, ever less often, and told of
// from the first time on.
func TestReach(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		ctx, cancel := context.WithTimeout(t.Context(), 24*time.Hour)
		defer cancel()
		var looked []time.Duration
		var told []bool
		reach(ctx, lookFunc(func() error {
			looked = append(looked, time.Since(began))
			if len(looked) < 4 || len(looked) == 5 {
				return errors.New("nobody there")
			}
			return nil
		}), func(down error) { told = append(told, down == nil) })
		const m, h = time.Minute, time.Hour
		want := []time.Duration{0, m, 3 * m, 7 * m, h + 7*m, h + 8*m, 2*h + 8*m}
		if len(looked) != 28 || fmt.Sprint(looked[:7]) != fmt.Sprint(want) {
			t.Errorf("looked %d times, at %v, want %v", len(looked), looked[:7], want)
		}
		if got := fmt.Sprint(told[:6]); got != "[false false false true false true]" {
			t.Errorf("told %s", got)
		}
	})
}

// A pushed collects what a webhook brings.
type pushed struct {
	mu  sync.Mutex // guards got
	got []string
}

func (p *pushed) ServeHTTP(_ http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodPost {
		return
	}
	b, _ := io.ReadAll(r.Body)
	p.mu.Lock()
	p.got = append(p.got, string(b))
	p.mu.Unlock()
}

func (p *pushed) says(word string) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return strings.Contains(strings.Join(p.got, "\n"), word)
}

// lockedBroker starts a Mosquitto that refuses every login.
func lockedBroker(t *testing.T) string {
	t.Helper()
	b := mosquitto.New(t, "allow_anonymous false")
	b.Start()
	return b.URL()
}

// The running daemon, with time at sixty times its pace: a broker that refuses
// the password and one that was never started are told by the webhook, the
// page and the metrics.
func TestBrokerNeverReached(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct {
		broker func(*testing.T) string
		why    string
	}{
		"wrong password": {lockedBroker, "not Authorized"},
		"never started":  {func(*testing.T) string { return "tcp://127.0.0.1:1" }, "connection refused"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := &pushed{}
			hook := httptest.NewServer(p)
			t.Cleanup(hook.Close)
			cfg := demoConfig(t)
			cfg.MQTT = configs.MQTT{Broker: tt.broker(t), Username: "room", Heartbeat: cfg.MQTT.Heartbeat}
			cfg.Webhooks = []configs.Webhook{{ID: "push", URL: hook.URL + "/secret"}}
			cfg.People[0].Channels, cfg.People[0].Quiet = []string{"mqtt", "push"}, nil
			h := runFast(t, cfg, 60)
			soon(t, "the metrics show it from the start", func() bool {
				return strings.Contains(get(h, "/metrics"), `dewline_channel_connected{channel="mqtt"} 0`)
			})
			soon(t, "the page says why", func() bool { return strings.Contains(get(h, "/"), tt.why) })
			soon(t, "the webhook brings it", func() bool { return p.says("delivery-stalled") })
			soon(t, "the page warns", func() bool { return strings.Contains(get(h, "/"), "Notices do not get through by mqtt") })
			if m := get(h, "/metrics"); !strings.Contains(m, `dewline_channel_stalled{channel="mqtt"} 1`) || !strings.Contains(m, `dewline_channel_connected{channel="push"} 1`) {
				t.Errorf("the metrics say:\n%s", m)
			}
		})
	}
}

// runFast runs a daemon whose time goes faster and returns its page.
func runFast(t *testing.T, cfg *configs.Config, faster time.Duration) http.Handler {
	t.Helper()
	began := time.Now()
	d, err := New(Options{
		Config: cfg, Dir: t.TempDir(),
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return &idleSource{}, nil
		},
		Clock: func(resume time.Duration) func() sensors.Instant {
			return func() sensors.Instant {
				run := time.Since(began) * faster
				return sensors.Instant{Mono: resume + run, Wall: began.Add(run), Synced: true}
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	return d.site.Page(ctx)
}

func get(h http.Handler, path string) string {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.RemoteAddr, r.Host = "127.0.0.1:5", "127.0.0.1:8077"
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Body.String()
}

// soon waits until cond holds.
func soon(t *testing.T, what string, cond func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	for !cond() {
		select {
		case <-ctx.Done():
			t.Fatalf("still not: %s", what)
		case <-look.C:
		}
	}
}
