package web

import (
	"context"
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

	"dewline/alert"
	"dewline/alert/page"
)

func TestGate(t *testing.T) {
	g := &gate{tokens: page.Tokens{Shared: "correct-horse"}, limit: page.NewLimiter(), refused: func(string, string) {}}
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
	g := &gate{limit: page.NewLimiter(), refused: func(string, string) {}}
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
	g := &gate{tokens: page.Tokens{Shared: "correct-horse"}, limit: page.NewLimiter(), refused: func(string, string) { told++ }}
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
	wg.Go(func() { _ = s.Serve(bounded(ln, 2, 2)) })
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
	// Little more than is taken: the rest must not be cut off while it is sent.
	if code := post(`{"a":"` + strings.Repeat("x", maxBody) + `"}`); code != http.StatusBadRequest {
		t.Errorf("a body of more than %d bytes: %d", maxBody, code)
	}
	// Two connections that say nothing fill it; the oldest goes for a third.
	var idle []net.Conn
	for range 2 {
		c, err := net.Dial("tcp", ln.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		idle = append(idle, c)
	}
	if code := post(`{}`); code != http.StatusOK {
		t.Errorf("a third connection: %d", code)
	}
	if _, err := idle[0].Read(make([]byte, 1)); err == nil {
		t.Error("the oldest connection stays open")
	}
}

// A remote is a connection from an address.
type remote struct {
	net.Conn
	from   string
	closed bool
}

func (r *remote) RemoteAddr() net.Addr { a, _ := net.ResolveTCPAddr("tcp", r.from); return a }
func (r *remote) Close() error         { r.closed = true; return nil }

// remotes accepts connections from addresses.
type remotes []*remote

func (l *remotes) Accept() (net.Conn, error) { c := (*l)[0]; *l = (*l)[1:]; return c, nil }
func (l *remotes) Close() error              { return nil }
func (l *remotes) Addr() net.Addr            { return nil }

// Who opens many connections loses the oldest of its own, never another's.
func TestBounded_OfOneAddress(t *testing.T) {
	var all remotes
	dial := func(n int, from string) (made []*remote) {
		for range n {
			made = append(made, &remote{from: from})
		}
		all = append(all, made...)
		return made
	}
	keeper, greedy := dial(3, "198.51.100.7:1"), dial(40, "198.51.100.8:1")
	many := []*remote{}
	for i := range 50 {
		many = append(many, dial(4, fmt.Sprintf("203.0.113.%d:1", i))...)
	}
	local := dial(40, "127.0.0.1:1")
	ln := bounded(&all, 256, 32)
	for range len(all) {
		if _, err := ln.Accept(); err != nil {
			t.Fatal(err)
		}
	}
	open := func(list []*remote) (n int) {
		for _, c := range list {
			if !c.closed {
				n++
			}
		}
		return n
	}
	if open(keeper) != 3 || open(greedy) > 32 || open(local) < 20 {
		t.Errorf("open: the keeper's %d of 3, the greedy one's %d, this board's %d", open(keeper), open(greedy), open(local))
	}
	if n := open(keeper) + open(greedy) + open(many) + open(local); n > 256 {
		t.Errorf("%d are open", n)
	}
}

// What comes through a proxy is not this board, whoever it says it is.
func TestBehind(t *testing.T) {
	for _, c := range []struct {
		name, proxy, peer string
		head              map[string]string
		board             bool
		from              string
	}{
		{"the board itself", "", "127.0.0.1:5", nil, true, "127.0.0.1"},
		{"a proxy on the board", "", "127.0.0.1:5", map[string]string{"X-Forwarded-For": "198.51.100.7"}, false, "198.51.100.7"},
		{"one that adds to what it got", "", "127.0.0.1:5", map[string]string{"X-Forwarded-For": "127.0.0.1, 198.51.100.7"}, false, "198.51.100.7"},
		{"one that passes on a lie", "", "127.0.0.1:5", map[string]string{"X-Forwarded-For": "127.0.0.1"}, false, "0.0.0.0"},
		{"RFC 7239", "", "[::1]:5", map[string]string{"Forwarded": "for=198.51.100.7"}, false, "0.0.0.0"},
		{"a named one that says nothing", "127.0.0.1", "127.0.0.1:5", nil, false, "0.0.0.0"},
		{"a named one elsewhere", "198.51.100.1", "198.51.100.1:5", map[string]string{"X-Forwarded-For": "203.0.113.9"}, false, "203.0.113.9"},
		{"a stranger who plays the proxy", "", "198.51.100.7:5", map[string]string{"X-Forwarded-For": "203.0.113.9"}, false, "198.51.100.7"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := httptest.NewRequest("GET", "/", nil)
			r.RemoteAddr, r.Host = c.peer, "127.0.0.1:8077"
			for k, v := range c.head {
				r.Header.Set(k, v)
			}
			answerOf(behind(c.proxy, http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
				if host, _, _ := net.SplitHostPort(r.RemoteAddr); host != c.from || fromLoopback(r) != c.board {
					t.Errorf("from %s, of the board %v; want %s, %v", host, fromLoopback(r), c.from, c.board)
				}
			})), r)
		})
	}
}

// A token with a name opens what its right says, under its own name, until its
// line is gone; strangers at its address do not lock it out.
func TestGate_NamedTokens(t *testing.T) {
	tokens := map[string]string{}
	var list string
	for _, right := range []string{"look", "answer", "change"} {
		token, line := page.NewToken("my-"+right, right)
		tokens[right], list = token, list+line+"\n"
		if strings.Contains(list, token) {
			t.Fatal("the token is kept in the clear")
		}
	}
	g := &gate{tokens: page.Tokens{Shared: "correct-horse", List: func() (string, error) { return "# who\n\n" + list, nil }}, limit: page.NewLimiter(), refused: func(string, string) {}}
	var by string
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/v1/command", postCommand(func(_ context.Context, c alert.Command) alert.Reply { by = c.By; return alert.Reply{OK: true} }))
	mux.HandleFunc("/", func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusOK) })
	h := g.api(mux)
	for range 20 {
		answerOf(h, far("GET", "/", "", "guess"))
	}
	ack, shelve := `{"action":"acknowledge","notice":"n","by":"x"}`, `{"action":"shelve","subject":"e1","minutes":5,"by":"x"}`
	for right, want := range map[string][4]int{"look": {200, 403, 403, 403}, "answer": {200, 200, 403, 403}, "change": {200, 200, 200, 200}} {
		by = ""
		got := [4]int{
			answerOf(h, far("GET", "/metrics", "", tokens[right])).Code, answerOf(h, far("POST", "/api/v1/command", ack, tokens[right])).Code,
			answerOf(h, far("POST", "/api/v1/command", shelve, tokens[right])).Code, answerOf(h, far("POST", "/api/v1/reload", "{}", tokens[right])).Code,
		}
		if got != want || want[1] == 200 && by != "my-"+right {
			t.Errorf("%s: %v, want %v; by %q", right, got, want, by)
		}
	}
	list = ""
	if code := answerOf(h, far("GET", "/metrics", "", tokens["change"])).Code; code == http.StatusOK {
		t.Error("a token that was taken out still opens")
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

// What may be asked over the control socket only its owner may ask, from its first
// moment on.
func TestOnlyItsOwnerOpensTheControlSocket(t *testing.T) {
	path := filepath.Join(t.TempDir(), "control.sock")
	ln, err := listenControl(path)
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	fi, err := os.Stat(path)
	if err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v; want a socket of mode 0600", fi, err)
	}
}
