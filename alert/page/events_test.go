package page

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
)

// A lockedRecorder can be read while a handler still writes.
type lockedRecorder struct {
	*httptest.ResponseRecorder
	mu sync.Mutex // guards the body
}

func (w *lockedRecorder) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ResponseRecorder.Write(b)
}

func (w *lockedRecorder) Flush() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ResponseRecorder.Flush()
}

func (w *lockedRecorder) text() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.Body.String()
}

// A stream tells at once of what a person should see, now and then of values,
// and ends with the server.
func TestEvents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 12)
		r := &rig{t: t, cfg: cfg, snap: snapshotOf(cfg), mayRead: true, stop: make(chan struct{})}
		h := New(r.options())
		w, done := &lockedRecorder{ResponseRecorder: httptest.NewRecorder()}, make(chan struct{})
		go func() { h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/events", nil)); close(done) }()
		told := func() int { synctest.Wait(); return strings.Count(w.text(), "event: changed\n") }
		time.Sleep(2*lookEvery + time.Second)
		if n := told(); n != 0 {
			t.Errorf("told %d times of nothing", n)
		}
		next := *r.snap
		next.Alarms = next.Alarms[1:]
		r.mu.Lock()
		r.snap = &next
		r.mu.Unlock()
		time.Sleep(lookEvery)
		if n := told(); n != 1 {
			t.Errorf("told %d times of an alarm that changed", n)
		}
		time.Sleep(tellEvery + lookEvery)
		if n := told(); n != 2 {
			t.Errorf("told %d times after another %s, want once more for the values", n, tellEvery)
		}
		close(r.stop)
		<-done
		if ct := w.Header().Get("Content-Type"); ct != "text/event-stream" {
			t.Errorf("content type %q", ct)
		}
	})
}

// The sign of life comes at least every 5 s while the core makes snapshots,
// says when the rounds do not end, and stops when the core does, though the
// server goes on.
func TestBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 12)
		r := &rig{t: t, cfg: cfg, snap: snapshotOf(cfg), mayRead: true, stop: make(chan struct{})}
		h := New(r.options())
		w, done := &lockedRecorder{ResponseRecorder: httptest.NewRecorder()}, make(chan struct{})
		go func() { h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/events", nil)); close(done) }()
		beats := func() int { synctest.Wait(); return strings.Count(w.text(), "event: beat\n") }
		core := func(seconds int, rounds bool) { // as the daemon does every second
			for range seconds {
				r.mu.Lock()
				next := *r.snap
				next.Published = time.Now()
				if rounds {
					next.CycleAt = time.Now()
				}
				r.snap = &next
				r.mu.Unlock()
				time.Sleep(time.Second)
			}
		}
		ask := func() (int, string) {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/beat", nil))
			return w.Code, strings.TrimSpace(w.Body.String())
		}
		for range 6 {
			before := beats()
			core(5, true)
			if beats() == before {
				t.Fatal("no sign of life in 5 s")
			}
		}
		if code, text := ask(); code != http.StatusOK || text != "" {
			t.Errorf("asked for a sign of life: %d %q", code, text)
		}
		core(120, false)
		if code, text := ask(); code != http.StatusOK || !strings.HasPrefix(text, "No readings for ") || !strings.Contains(w.text(), "event: beat\ndata: No readings for ") {
			t.Errorf("without rounds: %d %q", code, text)
		}
		time.Sleep(deadAfter + lookEvery)
		before := beats()
		time.Sleep(time.Minute) // the core hangs
		if n := beats() - before; n != 0 {
			t.Errorf("%d signs of life of a core that hangs", n)
		}
		if code, _ := ask(); code != http.StatusServiceUnavailable {
			t.Errorf("asked while the core hangs: %d", code)
		}
		close(r.stop)
		<-done
	})
}

func TestStreamsAreBounded(t *testing.T) {
	r := newRig(t, 12)
	s := newSite(r.options())
	for range maxStreams {
		s.streams <- struct{}{}
	}
	w := httptest.NewRecorder()
	s.handler().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/events", nil))
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one stream too many: %d", w.Code)
	}
}

func TestFingerprint(t *testing.T) {
	snap := snapshotOf(roomOf(t, 12))
	was := fingerprint(snap)
	for name, change := range map[string]func(s *alert.Snapshot){
		"alarm":    func(s *alert.Snapshot) { s.Alarms = s.Alarms[1:] },
		"notice":   func(s *alert.Snapshot) { s.Notices = nil },
		"record":   func(s *alert.Snapshot) { s.Recording = false },
		"delivery": func(s *alert.Snapshot) { s.Stalled = []string{"mail"} },
		"clock":    func(s *alert.Snapshot) { s.At.Synced = false },
	} {
		next := *snap
		change(&next)
		if fingerprint(&next) == was {
			t.Errorf("a change of %s is not seen", name)
		}
	}
	if same := *snap; fingerprint(&same) != was {
		t.Error("two equal snapshots differ")
	}
}
