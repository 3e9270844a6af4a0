package webhook

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"
)

var when = time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC)

func delivery() alert.Delivery {
	return alert.Delivery{NoticeID: "lethal-ceiling/e1/3", Priority: alarm.Wake,
		Message: alert.Message{ID: "lethal-ceiling/e1/3", To: "una", Version: 2, Kind: alert.Update, Time: when, ClockSet: true,
			Priority: alarm.Wake, Cause: "enclosure", CauseID: "e1", Title: `Blåbär "e1": lethal heat`, Subjects: []string{"e1"}}}
}

// A request is what arrived at the test server.
type request struct {
	header http.Header
	body   []byte
}

func serve(t *testing.T, status int, header http.Header, answer string) (string, *[]request) {
	t.Helper()
	var got []request
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		got = append(got, request{r.Header, body})
		for k, v := range header {
			w.Header()[k] = v
		}
		w.WriteHeader(status)
		io.WriteString(w, answer)
	}))
	t.Cleanup(s.Close)
	return s.URL, &got
}

func hook(t *testing.T, o Options) *Hook {
	t.Helper()
	o.ID, o.Room = "gateway", "attic"
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// The required attributes of CloudEvents 1.0 and the media type of its
// structured JSON mode (CloudEvents 1.0 HTTP binding, 3.2).
func TestHook_cloudEvent(t *testing.T) {
	url, got := serve(t, 204, nil, "")
	secret := []byte("Jefe")
	if err := hook(t, Options{URL: url, Secret: secret, Headers: map[string]string{"Authorization": "Bearer x"}}).Send(t.Context(), delivery()); err != nil {
		t.Fatal(err)
	}
	r := (*got)[0]
	if ct := r.header.Get("Content-Type"); !strings.HasPrefix(ct, "application/cloudevents+json") {
		t.Errorf("content type %q", ct)
	}
	var e map[string]any
	if err := json.Unmarshal(r.body, &e); err != nil {
		t.Fatal(err)
	}
	for k, want := range map[string]string{"specversion": "1.0", "id": "lethal-ceiling/e1/3/2/una/1", "source": "/dewline/attic",
		"type": "dewline.notice.update", "subject": "enclosure/e1", "time": "2026-02-03T12:00:00Z", "datacontenttype": "application/json"} {
		if e[k] != want {
			t.Errorf("%s: %v, want %s", k, e[k], want)
		}
	}
	if data, ok := e["data"].(map[string]any); !ok || data["title"] != `Blåbär "e1": lethal heat` || data["priority"] != "wake" {
		t.Errorf("data %v", e["data"])
	}
	if r.header.Get("Authorization") != "Bearer x" || r.header.Get(SignatureHeader) != Sign(secret, r.body) {
		t.Errorf("headers %v", r.header)
	}
}

// CloudEvents 1.0, "id": consumers may take events with the same source and id
// for duplicates. A retry is one; a reminder, another person and a newer
// version are not.
func TestHook_eventIDs(t *testing.T) {
	url, got := serve(t, 204, nil, "")
	h := hook(t, Options{URL: url})
	id := func(version, sent int, to string) string {
		d := delivery()
		d.Message.Version, d.Message.Sent, d.Message.To = version, sent, to
		if err := h.Send(t.Context(), d); err != nil {
			t.Fatal(err)
		}
		var e struct{ ID string }
		if err := json.Unmarshal((*got)[len(*got)-1].body, &e); err != nil || e.ID == "" {
			t.Fatalf("%q %v", e.ID, err)
		}
		return e.ID
	}
	first := id(2, 1, "una")
	if again := id(2, 1, "una"); again != first {
		t.Errorf("a retry is the event %s, the first try %s", again, first)
	}
	for name, other := range map[string]string{"a reminder": id(2, 2, "una"), "another person": id(2, 1, "odo"), "a newer version": id(3, 1, "una")} {
		if other == first {
			t.Errorf("%s has the id of the first: %s", name, other)
		}
	}
}

// Test case 2 of RFC 4231, section 4.3.
func TestSign_rfc4231(t *testing.T) {
	const want = "sha256=5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
	if got := Sign([]byte("Jefe"), []byte("what do ya want for nothing?")); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestHook_noTimeWithoutAClock(t *testing.T) {
	url, got := serve(t, 200, nil, "ok")
	d := delivery()
	d.Message.ClockSet = false
	if err := hook(t, Options{URL: url}).Send(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	var e map[string]any
	json.Unmarshal((*got)[0].body, &e)
	if _, ok := e["time"]; ok {
		t.Error("an event carries a time known to be wrong")
	}
}

func TestHook_template(t *testing.T) {
	url, got := serve(t, 200, nil, "")
	h := hook(t, Options{URL: url, MediaType: "text/plain", Template: `{"text":{{json .Title}},"to":"+1","n":{{len .Subjects}}}`})
	if err := h.Send(t.Context(), delivery()); err != nil {
		t.Fatal(err)
	}
	if b := string((*got)[0].body); b != `{"text":"Blåbär \"e1\": lethal heat","to":"+1","n":1}` {
		t.Errorf("body %s", b)
	}
	if ct := (*got)[0].header.Get("Content-Type"); ct != "text/plain" {
		t.Errorf("content type %q", ct)
	}
}

func TestHook_answers(t *testing.T) {
	date := func(d time.Duration) http.Header {
		return http.Header{"Retry-After": {time.Now().Add(d).UTC().Format(http.TimeFormat)}}
	}
	tests := []struct {
		name     string
		status   int
		header   http.Header
		ok       bool
		class    alert.Class
		min, max time.Duration
	}{
		{"taken", 200, nil, true, 0, 0, 0},
		{"accepted", 202, nil, true, 0, 0, 0},
		{"too many", 429, http.Header{"Retry-After": {"120"}}, false, alert.Retryable, 2 * time.Minute, 2 * time.Minute},
		{"too many, date", 429, date(time.Hour), false, alert.Retryable, 59 * time.Minute, time.Hour},
		{"too many, junk", 429, http.Header{"Retry-After": {"soon"}}, false, alert.Retryable, 0, 0},
		{"too many, past", 503, date(-time.Hour), false, alert.Retryable, 0, 0},
		{"down for work", 503, http.Header{"Retry-After": {"5"}}, false, alert.Retryable, 5 * time.Second, 5 * time.Second},
		{"broken", 500, nil, false, alert.Retryable, 0, 0},
		{"slow", 408, nil, false, alert.Retryable, 0, 0},
		{"forbidden", 403, nil, false, alert.Refused, 0, 0},
		{"gone", 410, nil, false, alert.Refused, 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			url, _ := serve(t, tt.status, tt.header, "because\nof reasons")
			err := hook(t, Options{URL: url + "/token-4711"}).Send(t.Context(), delivery())
			if (err == nil) != tt.ok {
				t.Fatalf("error %v", err)
			}
			class, after := alert.ClassOf(err)
			if class != tt.class || after < tt.min || after > tt.max {
				t.Errorf("class %v after %v of %v", class, after, err)
			}
			if err != nil && (!strings.Contains(err.Error(), "because of reasons") || strings.Contains(err.Error(), "4711")) {
				t.Errorf("error text: %v", err)
			}
		})
	}
}

func TestHook_redirectIsNotFollowed(t *testing.T) {
	other, got := serve(t, 200, nil, "")
	url, _ := serve(t, 307, http.Header{"Location": {other}}, "")
	err := hook(t, Options{URL: url}).Send(t.Context(), delivery())
	if class, _ := alert.ClassOf(err); err == nil || class != alert.Refused || len(*got) != 0 {
		t.Errorf("error %v, %d requests at the other address", err, len(*got))
	}
}

func TestHook_hang(t *testing.T) {
	release := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { <-release }))
	defer s.Close()
	defer close(release)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	err := hook(t, Options{URL: s.URL + "/token-4711"}).Send(ctx, delivery())
	if !errors.Is(err, context.DeadlineExceeded) || strings.Contains(err.Error(), "4711") {
		t.Errorf("error %v", err)
	}
	if class, _ := alert.ClassOf(err); class != alert.Retryable {
		t.Error("a hang counts as refused")
	}
}

// An answer without end is read to the limit and no further.
func TestHook_endlessAnswer(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusInternalServerError)
		chunk := make([]byte, 32<<10)
		for {
			if _, err := w.Write(chunk); err != nil {
				return
			}
		}
	}))
	defer s.Close()
	if err := hook(t, Options{URL: s.URL}).Send(t.Context(), delivery()); err == nil {
		t.Error("a fault counts as taken over")
	}
}

func TestNew_refusals(t *testing.T) {
	tests := []struct{ url, tmpl, want string }{
		{"ftp://host/x", "", "must be http"},
		{"https://", "", "must be http"},
		{"https://host/secret\x7f", "", "cannot be parsed"},
		{"https://host", "{{.Title", "template"},
		{"https://host", "{{.Nothing}}", "can't evaluate field Nothing"},
		{"https://host", "{{range .Subjects}}{{printf \"%300000d\" 1}}{{end}}", "longer than"},
	}
	for _, tt := range tests {
		_, err := New(Options{ID: "gateway", URL: tt.url, Template: tt.tmpl})
		if err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), "secret") {
			t.Errorf("%q %q: %v, want %q", tt.url, tt.tmpl, err, tt.want)
		}
	}
}

func TestBeat(t *testing.T) {
	url, got := serve(t, 200, nil, "")
	b, err := NewBeat(url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Post(t.Context(), alert.Heartbeat{Room: "attic", Time: when, ClockSet: true, Cycle: 9}); err != nil {
		t.Fatal(err)
	}
	var h alert.Heartbeat
	if err := json.Unmarshal((*got)[0].body, &h); err != nil || h.Room != "attic" || h.Cycle != 9 {
		t.Errorf("%+v %v", h, err)
	}
	if _, err := NewBeat("outside", nil); err == nil {
		t.Error("an address without a scheme is accepted")
	}
}

// Whatever a keeper writes as a template and whatever stands in a notice, a
// body is either made within its limit or refused.
func FuzzTemplate(f *testing.F) {
	f.Add(`{"text":{{json .Title}}}`, "hot")
	f.Add(`{{range .Subjects}}{{.}}{{end}}`, "\x00\xff")
	f.Add(`{{printf "%1000000d" 1}}`, "{{.}}")
	f.Add(`{{define "a"}}{{template "a"}}{{end}}{{template "a"}}`, "")
	f.Fuzz(func(t *testing.T, text, title string) {
		tmpl, err := ParseTemplate(text)
		if err != nil {
			return
		}
		m := alert.Message{ID: title, Title: title, Subjects: []string{title}}
		body, err := execute(tmpl, &m)
		if err == nil && len(body) > maxBody {
			t.Errorf("body of %d bytes", len(body))
		}
	})
}

// Looking for a hook's server neither posts nor shows the address's secret to
// it, and any answer will do.
func TestReach(t *testing.T) {
	seen := make(chan string, 4)
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		seen <- r.Method + " " + r.URL.String()
		w.WriteHeader(http.StatusNotFound)
	}))
	h, err := New(Options{ID: "push", URL: s.URL + "/hook/token?key=secret"})
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Reach(t.Context()); err != nil {
		t.Errorf("a server that is there: %v", err)
	}
	if got := <-seen; got != "HEAD /" {
		t.Errorf("it was asked %q", got)
	}
	s.Close()
	if err := h.Reach(t.Context()); err == nil || strings.Contains(err.Error(), "secret") {
		t.Errorf("a server that is gone: %v", err)
	}
}

// A server that says that it took the message over and then never stops talking took
// it over: it holds up nothing.
func TestHook_takenOverBeforeTheAnswerEnds(t *testing.T) {
	ended := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		io.WriteString(w, "queued")
		http.NewResponseController(w).Flush()
		select {
		case <-r.Context().Done():
		case <-ended:
		}
	}))
	defer s.Close()
	defer close(ended)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	sent := make(chan error, 1)
	go func() { sent <- hook(t, Options{URL: s.URL}).Send(ctx, delivery()) }()
	select {
	case err := <-sent:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(2 * time.Minute):
		t.Error("it waits for the end of the answer")
	}
}
