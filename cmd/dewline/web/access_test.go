package web

import (
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert/page"
)

func TestGate(t *testing.T) {
	g := &gate{token: "correct-horse"}
	open := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) })
	for _, c := range []struct {
		name, method, remote, host, auth string
		want                             int
	}{
		{"reading on loopback", "GET", "127.0.0.1:5", "127.0.0.1:8077", "", 200},
		{"reading on loopback, IPv6", "GET", "[::1]:5", "[::1]:8077", "", 200},
		{"reading on loopback by name", "GET", "127.0.0.1:5", "localhost:8077", "", 200},
		{"reading from the network", "GET", "198.51.100.7:5", "198.51.100.1:8077", "", 401},
		{"reading from the network with the token", "GET", "198.51.100.7:5", "198.51.100.1:8077", "Bearer correct-horse", 200},
		{"a foreign page that points its name at us", "GET", "127.0.0.1:5", "evil.example:8077", "", 401},
		{"acting on loopback without the token", "POST", "127.0.0.1:5", "127.0.0.1:8077", "", 401},
		{"acting with a wrong token", "POST", "127.0.0.1:5", "127.0.0.1:8077", "Bearer correct-hors", 401},
		{"acting with the token under another scheme", "POST", "127.0.0.1:5", "127.0.0.1:8077", "Basic correct-horse", 401},
		{"acting with the token", "POST", "127.0.0.1:5", "127.0.0.1:8077", "Bearer correct-horse", 200},
		{"deleting without the token", "DELETE", "127.0.0.1:5", "127.0.0.1:8077", "", 401},
		{"no port", "GET", "127.0.0.1", "127.0.0.1", "", 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest(c.method, "/api/v1/alarms", nil)
			r.RemoteAddr, r.Host = c.remote, c.host
			if c.auth != "" {
				r.Header.Set("Authorization", c.auth)
			}
			w := httptest.NewRecorder()
			g.api(open).ServeHTTP(w, r)
			if w.Code != c.want {
				t.Errorf("%s from %s to %s: %d, want %d", c.method, c.remote, c.host, w.Code, c.want)
			}
		})
	}
}

func TestGateWithoutATokenRefusesEveryAction(t *testing.T) {
	g := &gate{}
	r := httptest.NewRequest("POST", "/api/v1/command", nil)
	r.RemoteAddr, r.Host = "127.0.0.1:5", "127.0.0.1"
	r.Header.Set("Authorization", "Bearer ")
	w := httptest.NewRecorder()
	g.api(http.NotFoundHandler()).ServeHTTP(w, r)
	if w.Code != http.StatusUnauthorized {
		t.Errorf("an empty token was taken: %d", w.Code)
	}
}

func TestDecodeBodyIsStrict(t *testing.T) {
	for body, want := range map[string]string{
		`{"enclosure":"a"}`:             "",
		`{"enclosure":"a","extra":1}`:   "unknown field",
		`{"enclosure":"a"} {}`:          "more than one",
		`{"enclosure":`:                 "not what is expected",
		`[1]`:                           "not what is expected",
		strings.Repeat(`[`, 100) + `{}`: "not what is expected",
	} {
		var v struct {
			Enclosure string `json:"enclosure"`
		}
		err := decodeBody(httptest.NewRequest("POST", "/", strings.NewReader(body)), &v)
		if (err == nil) != (want == "") || (err != nil && !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %v, want %q", body, err, want)
		}
	}
}

func TestLinksSurviveARestartAndFitOneVersion(t *testing.T) {
	dir := t.TempDir()
	a := newLinks()
	if err := a.keepIn(dir); err != nil {
		t.Fatal(err)
	}
	b := newLinks()
	if _, ok := b.check("n1", a.token("n1", 3)); ok {
		t.Fatal("two fresh keys agree")
	}
	if err := b.keepIn(dir); err != nil {
		t.Fatal(err)
	}
	if v, ok := b.check("n1", a.token("n1", 3)); !ok || v != 3 {
		t.Errorf("a link of version 3 made before the restart: version %d, taken %v", v, ok)
	}
	if v, ok := b.check("n1", a.sign("n1")); !ok || v != 1 {
		t.Errorf("a link without a version: version %d, taken %v, want the first version's facts", v, ok)
	}
	_, signature, _ := strings.Cut(a.token("n1", 3), ".")
	for notice, token := range map[string]string{
		"n2": a.token("n1", 3), "n1": "", "n1 ": "4." + signature, "n1  ": "." + signature, "n1   ": signature, "n1    ": "-1." + signature,
	} {
		if _, ok := b.check(strings.TrimSpace(notice), token); ok {
			t.Errorf("%q answers %s", token, notice)
		}
	}
}

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

// After some wrong tokens an address has to wait, whatever it asks, even with
// the right one; others do not.
func TestGateLimitsWrongTokens(t *testing.T) {
	told := 0
	g := &gate{token: "correct-horse", limit: page.NewLimiter(), refused: func(string, string) { told++ }}
	h := g.api(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) }))
	codes := map[int]int{}
	for i := range 50 {
		method := []string{"GET", "POST"}[i%2] // reading is no way around it
		codes[answerOf(h, far(method, "/api/v1/alarms", "", fmt.Sprintf("guess-%d", i))).Code]++
	}
	if codes[401] != 8 || codes[429] != 42 || told != 8 {
		t.Errorf("50 wrong tokens: answers %v, %d told; want 8 refused and told, then 42 told to wait", codes, told)
	}
	w := answerOf(h, far("POST", "/api/v1/command", "", "correct-horse"))
	if w.Code != http.StatusTooManyRequests || w.Header().Get("Retry-After") == "" {
		t.Errorf("the right token after 8 wrong ones: %d, Retry-After %q", w.Code, w.Header().Get("Retry-After"))
	}
	if g.mayRead(far("GET", "/", "", "correct-horse")) {
		t.Error("the page may be read by an address that has to wait")
	}
	other := far("POST", "/api/v1/command", "", "correct-horse")
	other.RemoteAddr = "198.51.100.8:40000"
	if w := answerOf(h, other); w.Code != http.StatusOK {
		t.Errorf("another address with the right token: %d", w.Code)
	}
	// Without a token nothing was tried: it is refused, and told for an act.
	told = 0
	near := httptest.NewRequest("POST", "/api/v1/command", nil)
	near.RemoteAddr, near.Host = "127.0.0.1:1", "127.0.0.1"
	if w := answerOf(h, near); w.Code != http.StatusUnauthorized || told != 1 {
		t.Errorf("an act without a token: %d, told %d times", w.Code, told)
	}
}

// The real server: slow and large requests end, and it takes no more
// connections than it has memory for.
func TestServerLimits(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := newServer(hardened(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var v map[string]any
		if err := decodeBody(r, &v); err != nil {
			writeError(w, http.StatusBadRequest, err)
			return
		}
		writeJSON(w, http.StatusOK, v)
	})), slog.New(slog.DiscardHandler))
	if s.ReadHeaderTimeout <= 0 || s.ReadHeaderTimeout > 10*time.Second || s.ReadTimeout <= 0 || s.IdleTimeout <= 0 {
		t.Errorf("a server without time limits: %+v", s)
	}
	var wg sync.WaitGroup
	wg.Go(func() { _ = s.Serve(bounded(ln, 2)) })
	defer wg.Wait()
	defer s.Close()
	url := "http://" + ln.Addr().String()
	post := func(body string) int {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, url, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Close = true
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		_, _ = io.Copy(io.Discard, resp.Body)
		return resp.StatusCode
	}
	if code := post(`{"a":1}`); code != http.StatusOK {
		t.Errorf("a small body: %d", code)
	}
	if code := post(`{"a":"` + strings.Repeat("x", 2*maxBody) + `"}`); code != http.StatusBadRequest {
		t.Errorf("a body of %d bytes: %d", 2*maxBody, code)
	}
	// Two connections that say nothing fill it; a third is served once one goes.
	var idle []net.Conn
	for range 2 {
		c, err := net.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		idle = append(idle, c)
	}
	served := make(chan int, 1)
	go func() { served <- post(`{}`) }()
	select {
	case code := <-served:
		t.Errorf("a third connection was served (%d) beside two open ones", code)
	case <-time.After(100 * time.Millisecond):
	}
	_ = idle[0].Close()
	if code := <-served; code != http.StatusOK {
		t.Errorf("after one went: %d", code)
	}
}

// The API answers exactly the paths of the published description.
func TestRoutes_AreDescribed(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "..", "configs", "api", "openapi.json"))
	if err != nil {
		t.Fatal(err)
	}
	var doc struct {
		Paths map[string]map[string]any `json:"paths"`
	}
	if err := json.Unmarshal(text, &doc); err != nil {
		t.Fatal(err)
	}
	described := map[string]bool{}
	for path, methods := range doc.Paths {
		for m := range methods {
			described[strings.ToUpper(m)+" "+path] = true
		}
	}
	answered := map[string]bool{}
	for _, r := range (&Site{hands: struct{ Hands }{}}).routes() {
		answered[r.method+" /api/v1/"+r.path] = true
	}
	if !maps.Equal(described, answered) || len(answered) < 10 {
		t.Errorf("answered is %v, described is %v", answered, described)
	}
}
