package daemon

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
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
