package page

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
)

// The sign of life is there while the core makes snapshots, says when the rounds do
// not end, and ends when the core does, though the server goes on.
func TestBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		cfg := roomOf(t, 12)
		r := &rig{t: t, cfg: cfg, snap: snapshotOf(cfg), mayRead: true}
		h := New(r.options())
		core := func(seconds int, rounds bool) { // as the daemon does every second
			for range seconds {
				next := *r.snap
				next.Published = time.Now()
				if rounds {
					next.CycleAt = time.Now()
				}
				r.snap = &next
				time.Sleep(time.Second)
			}
		}
		ask := func() (code int, state, text string) {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/beat", nil))
			state, text, _ = strings.Cut(w.Body.String(), "\n")
			return w.Code, state, strings.TrimSpace(text)
		}
		core(5, true)
		code, was, text := ask()
		if code != http.StatusOK || was == "" || text != "" {
			t.Errorf("asked for a sign of life: %d %q %q", code, was, text)
		}
		core(120, false)
		if code, same, text := ask(); code != http.StatusOK || same != was || !strings.HasPrefix(text, "No readings for ") {
			t.Errorf("without rounds: %d %q %q", code, same, text)
		}
		r.snap.Alarms = r.snap.Alarms[1:]
		if _, now, _ := ask(); now == was {
			t.Error("an alarm that changed is not told")
		}
		time.Sleep(deadAfter) // the core hangs
		if code, _, _ := ask(); code != http.StatusServiceUnavailable {
			t.Errorf("asked while the core hangs: %d", code)
		}
	})
}

func TestFingerprint(t *testing.T) {
	snap := snapshotOf(roomOf(t, 12))
	was := fingerprint(snap)
	for name, change := range map[string]func(s *alert.Snapshot){
		"alarm":    func(s *alert.Snapshot) { s.Alarms = s.Alarms[1:] },
		"notice":   func(s *alert.Snapshot) { s.Notices = nil },
		"record":   func(s *alert.Snapshot) { s.Recording = false },
		"delivery": func(s *alert.Snapshot) { s.Delivery.Stalled = []string{"mail"} },
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
