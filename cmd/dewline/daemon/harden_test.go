package daemon

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// far is a request from the network.
func far(method, path, body, token string) *http.Request {
	r := httptest.NewRequest(method, path, strings.NewReader(body))
	r.RemoteAddr, r.Host = "198.51.100.7:40000", "198.51.100.1:8077"
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	return r
}

func answerOf(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// Everything over HTTP: who may ask what from where, headers, sizes, refusals
// on record.
func TestHTTPIsHardened(t *testing.T) {
	d := runSimulated(t, 10*time.Minute)
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("correct-horse\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := *d.cfg.Load()
	cfg.HTTP.TokenFile = token
	d.cfg.Store(&cfg)
	h := d.site.Page(t.Context())

	for _, path := range []string{"/metrics", "/api/v1/room", "/api/v1/journal", "/api/v1/kpi", "/api/v1/history?probe=x"} {
		w := answerOf(h, far("GET", path, "", ""))
		if w.Code != http.StatusUnauthorized || strings.Contains(w.Body.String(), "room") {
			t.Errorf("GET %s from the network without a token: %d %s", path, w.Code, w.Body)
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Cache-Control": "no-store", "WWW-Authenticate": "Bearer"} {
			if got := w.Header().Get(name); !strings.Contains(got, want) {
				t.Errorf("GET %s: %s is %q, want %q", path, name, got, want)
			}
		}
		if csp := w.Header().Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") {
			t.Errorf("GET %s: the policy is %q", path, csp)
		}
	}
	if w := answerOf(h, far("GET", "/metrics", "", "correct-horse")); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "dewline_") {
		t.Errorf("metrics with the token: %d", w.Code)
	}
	if w := answerOf(h, far("GET", "/healthz", "", "")); w.Code != http.StatusOK || strings.Contains(w.Body.String(), "note") {
		t.Errorf("healthz from the network: %d %s", w.Code, w.Body)
	}
	// A page elsewhere cannot make a browser act, even one that knew the token.
	cross := far("POST", "/api/v1/command", `{}`, "correct-horse")
	cross.Header.Set("Sec-Fetch-Site", "cross-site")
	if w := answerOf(h, cross); w.Code != http.StatusForbidden {
		t.Errorf("an act from a foreign page: %d", w.Code)
	}
	for range 3 {
		answerOf(h, far("POST", "/api/v1/command", `{"action":"acknowledge","notice":"n/1","by":"x"}`, "wrong"))
	}
	answerOf(h, far("POST", "/api/v1/command", `{"action":"acknowledge","notice":"n/1","by":"mallory"}`, "correct-horse"))
	answerOf(h, far("POST", "/api/v1/command", `{"action":"shelve","subject":"a-1-1","minutes":1e300,"by":"mallory"}`, "correct-horse"))
	answerOf(h, far("POST", "/api/v1/command", `{"action":"shelve","subject":"a-1-1","minutes":5,"by":"mal\nlory"}`, "correct-horse"))
	// Refusals reach the journal by way of the core.
	_ = d.loop.call(t.Context(), func(sensors.Instant) error { return nil })
	<-d.record.rec.Put(nil, []event.Event{event.New(d.now(), event.Note{})})
	reasons := map[string]int{}
	for e, err := range d.Store().Journal(time.Time{}, d.now().Wall.Add(time.Hour)) {
		if err != nil {
			t.Fatal(err)
		}
		if l := e.Line(); l.Kind == "refused" {
			reasons[l.Who+": "+l.New]++
		}
	}
	for _, want := range []string{"without the token", "no open notice", "minutes must lie", "control characters"} {
		found := false
		for r := range reasons {
			found = found || strings.Contains(r, want)
		}
		if !found {
			t.Errorf("the journal has no line of a refusal for %q: %v", want, reasons)
		}
	}
}

// Secrets show nowhere: not in the log, the metrics, the API, the journal or
// what a failing channel says.
func TestSecretsShowNowhere(t *testing.T) {
	const hidden = "hunter-two-and-more"
	dir := t.TempDir()
	secretFile := filepath.Join(dir, "secret")
	if err := os.WriteFile(secretFile, []byte(hidden+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	const nobody = 1 // a port that nothing listens on
	text := strings.Split(rigRoom, "[mqtt]")[0] + fmt.Sprintf(`
[mqtt]
broker = "tcp://127.0.0.1:%d"
username = "den"
password_file = %q
command_token_file = %q
[http]
listen = ""
token_file = %q
[mail]
host = "127.0.0.1"
port = %d
from = "dewline@example.org"
username = "dewline"
password_file = %q
[[webhook]]
id = "push"
url = "http://127.0.0.1:%d/%s"
secret_file = %q
[heartbeat]
url = "http://127.0.0.1:%d/%s"
[[person]]
id = "una"
channels = ["push", "mail", "mqtt"]
mail_to = "una@example.org"
`, nobody, secretFile, secretFile, secretFile, nobody, secretFile, nobody, hidden, secretFile, nobody, hidden)
	cfg := decode(t, text)
	var log lockedBuffer
	idle := &idleSource{}
	d, err := New(Options{
		Config: cfg, Dir: filepath.Join(dir, "data"), Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})),
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return idle, nil
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "data"), 0o700); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	defer done.Wait()
	defer cancel()
	soon(t, "there is a snapshot", func() bool { return d.Snapshot() != nil })
	if _, err := d.Drill(ctx, "una", "una"); err != nil {
		t.Fatal(err)
	}
	d.loop.post(ctx, func(sensors.Instant) { d.loop.channels.outside(d.loop.heartbeat()) })
	soon(t, "every channel has failed", func() bool {
		return strings.Count(log.String(), "notice not delivered") >= 3 && strings.Contains(log.String(), "outside heartbeat")
	})
	h := d.site.Page(ctx)
	all := log.String()
	near := func(path string) {
		r := httptest.NewRequest("GET", path, nil)
		r.RemoteAddr, r.Host = "127.0.0.1:9", "127.0.0.1"
		w := answerOf(h, r)
		if w.Code != http.StatusOK {
			t.Errorf("GET %s: %d", path, w.Code)
		}
		all += w.Body.String()
	}
	for _, path := range []string{"/metrics", "/api/v1/room", "/api/v1/journal", "/api/v1/notices", "/"} {
		near(path)
	}
	if i := strings.Index(all, hidden); i >= 0 {
		t.Errorf("a secret is shown: …%s", all[max(i-200, 0):i+len(hidden)])
	}
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// An idleSource never delivers a reading, like a bus that hangs.
type idleSource struct{ Simulation }

func (*idleSource) Run(ctx context.Context, _ Sink) error { <-ctx.Done(); return nil }

func (*idleSource) KeepsTime() bool { return false }

func (*idleSource) Correct(*sensors.Corrections) {}

// An outside heartbeat is sent on evidence only: while no round of readings
// and rules ends, it stops and the broker's one stands still.
func TestHeartbeatStopsWithTheRounds(t *testing.T) {
	beats := make(chan alert.Heartbeat, 8)
	d, err := New(Options{Config: decode(t, rigRoom), Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
		return nil, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	mono := time.Hour
	d.now = func() sensors.Instant { return sensors.Instant{Mono: mono, Wall: time.Unix(1e9, 0), Synced: true} }
	d.loop.channels = &channels{log: slog.New(slog.DiscardHandler), beats: beats}
	if d.loop.channels.beat, err = newTestBeat(); err != nil {
		t.Fatal(err)
	}
	real := time.Now()
	d.loop.rounds.cycle = 5
	d.loop.snapshot.Store(&alert.Snapshot{Cycle: 5, CycleAt: real})
	d.loop.sendHeartbeats(real.Add(time.Second))
	if len(beats) != 1 {
		t.Fatal("a lively daemon sends no outside heartbeat")
	}
	if h := <-beats; h.Cycle != 5 {
		t.Errorf("the heartbeat's cycle is %d, want 5", h.Cycle)
	}
	mono += 5 * time.Second
	d.loop.sendHeartbeats(real.Add(6 * time.Second))
	if len(beats) != 0 {
		t.Error("sent again before its time")
	}
	for range 10 { // no round ends any more
		mono += time.Minute
		d.loop.sendHeartbeats(real.Add(mono))
	}
	if len(beats) != 0 {
		t.Errorf("%d outside heartbeats of a daemon whose rounds have stopped", len(beats))
	}
	d.loop.snapshot.Store(&alert.Snapshot{Cycle: 6, CycleAt: real.Add(mono)})
	d.loop.sendHeartbeats(real.Add(mono))
	if len(beats) != 1 {
		t.Error("rounds go on and no heartbeat is sent")
	}
}

// A command's body from anywhere never breaks the daemon, never answers with a
// server's fault, and changes nothing unless it is well-formed.
func FuzzHTTPCommand(f *testing.F) {
	f.Add(`{"action":"acknowledge","notice":"n/1","by":"una"}`)
	f.Add(`{"action":"shelve","alarm":"above-band","subject":"moss","minutes":10,"by":"una","one_shot":true}`)
	f.Add(`{"action":"out-of-service","subject":"moss","until":"2026-12-24T00:00:00Z","by":"una"}`)
	f.Add(`{"action":"shelve","subject":"moss","minutes":-1e308,"by":"\u0000"}`)
	f.Add(`[{]`)
	f.Fuzz(func(t *testing.T, body string) {
		var c alert.Command
		if err := json.Unmarshal([]byte(body), &c); err != nil {
			return
		}
		err := checkCommand(c)
		core := core.New(decode(t, rigRoom), nil)
		now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
		if err != nil {
			if c.By == "" || len(err.Error()) < 500 {
				return
			}
			t.Fatalf("an endless refusal: %v", err)
		}
		if strings.ContainsAny(c.By+c.Why+c.Subject, "\n\r\x00") {
			t.Fatalf("control characters passed: %q", body)
		}
		_, aerr := core.Act(now, rules.Action{
			Kind: rules.ActionKind(c.Action), Key: alarm.Key{Alarm: alarm.ID(c.Alarm), Subject: c.Subject}, Seq: c.Seq, By: c.By,
			For: time.Duration(c.Minutes * float64(time.Minute)), Until: c.Until, OneShot: c.OneShot,
		})
		if aerr == nil && c.Subject != "moss" && c.Subject != "p" && c.Subject != "room" {
			t.Fatalf("acted on %q, which there is not: %s", c.Subject, body)
		}
	})
}

// The page's certificate is renewed without a restart, and old versions of TLS
// are refused.
func TestPageCertificateIsReadAgain(t *testing.T) {
	dir := t.TempDir()
	ca := newIssuer(t, dir)
	certFile, keyFile := ca.issue(t, "page", time.Now().Add(time.Hour))
	p := &web.Certificate{CertFile: certFile, KeyFile: keyFile}
	ln, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: p.Get})
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			_ = c.(*tls.Conn).Handshake()
			_ = c.Close()
		}
	}()
	end := func() time.Time {
		t.Helper()
		c, err := tls.Dial("tcp", ln.Addr().String(), &tls.Config{RootCAs: ca.pool(), MinVersion: tls.VersionTLS12})
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		return c.ConnectionState().PeerCertificates[0].NotAfter
	}
	first := end()
	ca.issue(t, "page", time.Now().Add(1000*time.Hour))
	touch := time.Now().Add(time.Minute)
	if err := os.Chtimes(certFile, touch, touch); err != nil {
		t.Fatal(err)
	}
	if renewed := end(); !renewed.After(first.Add(900 * time.Hour)) {
		t.Errorf("the certificate shown ends on %v after the renewal, before it on %v", renewed, first)
	}
	if err := os.WriteFile(certFile, []byte("half a file"), 0o600); err != nil {
		t.Fatal(err)
	}
	if still := end(); !still.After(first) {
		t.Error("a file that cannot be read took the page away")
	}
	old, err := tls.Dial("tcp", ln.Addr().String(), &tls.Config{RootCAs: ca.pool(), MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11})
	if err == nil {
		_ = old.Close()
		t.Error("TLS 1.1 is accepted")
	}
}

func TestCheckedCommandsAsJSON(t *testing.T) {
	c := alert.Command{Action: "out-of-service", Subject: "moss", By: "una", Until: time.Date(2026, 12, 24, 0, 0, 0, 0, time.UTC)}
	b, err := json.Marshal(c)
	if err != nil || !strings.Contains(string(b), `"until":"2026-12-24T00:00:00Z"`) {
		t.Errorf("%s, %v", b, err)
	}
	if err := checkCommand(c); err != nil {
		t.Error(err)
	}
	c.Action, c.Minutes = "shelve", 5
	if err := checkCommand(c); err == nil {
		t.Error("a shelf with an end date passes and the date would be lost")
	}
}
