package web

import (
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"fmt"
	"math"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewline/alert/page"
)

// A gate decides who may read and who may act. Reading is open on loopback;
// acting needs the token from anywhere. Wrong tokens are counted by address,
// and after some of them nobody at that address may try for a while.
type gate struct {
	token   string
	limit   *page.Limiter           // nil for no limit
	refused func(what, from string) // told of wrong tokens and of acts without one; nil for nobody
}

// bearer returns the token that r carries.
func bearer(r *http.Request) (string, bool) {
	return strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
}

// wait returns how long the address of r may not try a token.
func (g *gate) wait(r *http.Request) time.Duration {
	if _, tries := bearer(r); g.limit == nil || !tries {
		return 0
	}
	return g.limit.Wait(r.RemoteAddr, time.Now())
}

// holds reports whether r carries the token, and counts it where it carries
// another. The comparison takes the same time whatever is given.
func (g *gate) holds(r *http.Request) bool {
	given, tries := bearer(r)
	if !tries || g.wait(r) > 0 {
		return false
	}
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(g.token))
	if subtle.ConstantTimeCompare(a[:], b[:]) == 1 && g.token != "" {
		return true
	}
	if g.limit != nil {
		g.limit.Failed(r.RemoteAddr, time.Now())
	}
	g.tell(r)
	return false
}

func (g *gate) tell(r *http.Request) {
	if g.refused != nil {
		from, _, err := net.SplitHostPort(r.RemoteAddr)
		if err != nil {
			from = r.RemoteAddr
		}
		g.refused(r.Method+" "+r.URL.Path, from)
	}
}

// mayRead reports whether r may look.
func (g *gate) mayRead(r *http.Request) bool { return fromLoopback(r) || g.holds(r) }

// fromLoopback reports whether r comes from this machine, to a name of this
// machine: a page elsewhere that resolves its own name to 127.0.0.1 does not.
func fromLoopback(r *http.Request) bool {
	peer, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(peer)
	if ip == nil || !ip.IsLoopback() {
		return false
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(r.Host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	named := net.ParseIP(host)
	return host == "localhost" || (named != nil && named.IsLoopback())
}

var errNeedToken = errors.New("this needs the token: send it as Authorization: Bearer …")

// reading lets through who may look.
func (g *gate) reading(h http.Handler) http.Handler {
	return g.guard(h, func(*http.Request) bool { return false })
}

// api lets through who may look, and for anything but GET who may act.
func (g *gate) api(h http.Handler) http.Handler {
	return g.guard(h, func(r *http.Request) bool { return r.Method != http.MethodGet && r.Method != http.MethodHead })
}

// guard lets a request through to h that may act, where it does, or may look.
func (g *gate) guard(h http.Handler, acts func(*http.Request) bool) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if wait := g.wait(r); wait > 0 {
			w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
			writeError(w, http.StatusTooManyRequests, fmt.Errorf("too many wrong tokens from your address: wait %s", wait.Round(time.Second)))
			return
		}
		_, tries := bearer(r)
		act := acts(r)
		switch {
		case act && g.holds(r), !act && g.mayRead(r):
			h.ServeHTTP(w, r)
			return
		case act && !tries:
			g.tell(r)
		}
		w.Header().Set("WWW-Authenticate", `Bearer realm="dewline"`)
		writeError(w, http.StatusUnauthorized, errNeedToken)
	})
}

// answerWithin is how long a client may take to read an answer.
const answerWithin = time.Minute

// hardened adds the headers that keep a browser from making anything of an
// answer that was meant for a program, and bounds the time that it may take.
func hardened(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("X-Frame-Options", "DENY")
		head.Set("Referrer-Policy", "no-referrer")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Cache-Control", "no-store")
		// A test's recorder has no connection to set it for.
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(answerWithin))
		h.ServeHTTP(w, r)
	})
}
