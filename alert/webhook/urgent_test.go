package webhook_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/webhook"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A server answers as it is told and remembers what it took over.
type server struct {
	mu     sync.Mutex
	answer func(http.ResponseWriter)
	got    []string
	tries  int
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, _ := io.ReadAll(r.Body)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tries++
	if s.answer != nil {
		s.answer(w)
		return
	}
	s.got = append(s.got, string(body))
}

// set changes what the server answers, nil for taking over.
func (s *server) set(answer func(http.ResponseWriter)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.answer = answer
}

// taken returns the bodies taken over, and how often it was asked.
func (s *server) taken() (got []string, tries int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.got), s.tries
}

func code(n int, retryAfter string) func(http.ResponseWriter) {
	return func(w http.ResponseWriter) {
		if retryAfter != "" {
			w.Header().Set("Retry-After", retryAfter)
		}
		w.WriteHeader(n)
	}
}

// A wire is a Desk whose deliveries go over HTTP; only its time is virtual.
type wire struct {
	t     *testing.T
	desk  *alert.Desk
	now   sensors.Instant
	hooks map[string]*webhook.Hook
}

func newWire(t *testing.T, people []configs.Person, servers map[string]*server) *wire {
	t.Helper()
	w := &wire{t: t, desk: alert.NewDesk(alert.Options{Room: "attic", People: people}), hooks: map[string]*webhook.Hook{},
		now: sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC), Synced: true}}
	for id, s := range servers {
		srv := httptest.NewServer(s)
		t.Cleanup(srv.Close)
		hook, err := webhook.New(webhook.Options{ID: id, URL: srv.URL, Room: "attic"})
		if err != nil {
			t.Fatal(err)
		}
		w.hooks[id] = hook
	}
	return w
}

func (w *wire) carry(e alert.Effects) {
	for _, d := range e.Send {
		err := w.hooks[d.Channel].Send(w.t.Context(), d)
		w.carry(w.desk.Result(w.now, alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt, Err: err}))
	}
}

func (w *wire) pass(d time.Duration) {
	for end := w.now.Mono + d; w.now.Mono < end; {
		w.now = w.now.Add(5 * time.Second)
		w.carry(w.desk.Tick(w.now))
	}
}

func (w *wire) raise(a alarm.ID, p alarm.Priority) {
	w.carry(w.desk.Transitions(w.now, []rules.Transition{{
		Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: "moss"}, Seq: 1, Priority: p, Since: w.now, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "moss"}, Value: 33.2, HasValue: true, Limit: 33, HasLimit: true, Unit: "°C"}, At: w.now, To: alarm.Unack,
	}}))
}

// lethalAfter is how long it takes until a server has taken lethal heat over.
func (w *wire) lethalAfter(s *server, most time.Duration) time.Duration {
	w.t.Helper()
	since := w.now.Mono
	for {
		got, tries := s.taken()
		for _, body := range got {
			if strings.Contains(body, "lethal-ceiling") && strings.Contains(body, "moss") {
				return w.now.Mono - since
			}
		}
		if w.now.Mono-since >= most {
			w.t.Fatalf("lethal heat was not taken over within %s, after %d tries", most, tries)
		}
		w.pass(5 * time.Second)
	}
}

// A server that asked a today notice to come again in an hour (RFC 6585,
// section 4; RFC 9110, 10.2.3), or refused it, is asked again at once when the
// heat turns lethal, and soon again when it refuses that.
func TestLethalHeatDoesNotWaitForAServer(t *testing.T) {
	for name, fault := range map[string]func(http.ResponseWriter){
		"429": code(429, "3600"), "503": code(503, "86400"), "404": code(404, ""), "403": code(403, ""),
		"401": code(401, ""), "302": code(302, ""), "500": code(500, ""),
	} {
		t.Run(name, func(t *testing.T) {
			s := &server{answer: fault}
			w := newWire(t, []configs.Person{{ID: "una", Channels: []string{"phone"}}}, map[string]*server{"phone": s})
			w.raise(alarm.AboveBand, alarm.Today)
			w.pass(2 * time.Minute)
			s.set(nil)
			w.raise(alarm.LethalLimit, alarm.Wake)
			if took := w.lethalAfter(s, 2*time.Hour); took > 0 {
				t.Errorf("after a today notice that had to wait: %v", took)
			}

			s = &server{answer: fault}
			w = newWire(t, []configs.Person{{ID: "una", Channels: []string{"phone"}}}, map[string]*server{"phone": s})
			w.raise(alarm.LethalLimit, alarm.Wake)
			w.pass(time.Minute)
			s.set(nil)
			if took := w.lethalAfter(s, 2*time.Hour); took > 30*time.Second {
				t.Errorf("after the server came back: %v", took)
			}
			t.Logf("tally: server that answers %s: 2 notices, 0 lost", name)
		})
	}
}

// A refusal sends the notice the next way at once: another channel of the
// person, then another person.
func TestRefusalIsPassedOver(t *testing.T) {
	for _, p := range []alarm.Priority{alarm.Today, alarm.Wake} {
		first, second, other := &server{answer: code(404, "")}, &server{}, &server{}
		w := newWire(t, []configs.Person{{ID: "una", Channels: []string{"first", "second"}}, {ID: "odo", Channels: []string{"other"}}},
			map[string]*server{"first": first, "second": second, "other": other})
		w.raise(alarm.LethalLimit, p)
		w.pass(20 * time.Second)
		got, _ := second.taken()
		if next, _ := other.taken(); len(got) != 1 || len(next) != 0 {
			t.Errorf("%v: the second channel has %d, the next person %d", p, len(got), len(next))
		}
		second.set(code(401, ""))
		w = newWire(t, []configs.Person{{ID: "una", Channels: []string{"first", "second"}}, {ID: "odo", Channels: []string{"other"}}},
			map[string]*server{"first": first, "second": second, "other": other})
		w.raise(alarm.LethalLimit, p)
		w.pass(20 * time.Second)
		if next, _ := other.taken(); len(next) != 1 {
			t.Errorf("%v: both channels refuse and the next person has %d", p, len(next))
		}
	}
}
