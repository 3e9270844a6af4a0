package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewline/alert/page"
	"dewline/alert/words"
)

// A gate decides who may read and who may act. Reading is open on loopback;
// acting needs a token from anywhere. Wrong ones are counted by address, and after
// some of them nobody at that address may try the shared one for a while.
type gate struct {
	tokens  page.Tokens
	limit   *page.Limiter
	refused func(what, from string) // told of wrong tokens and of acts without one
}

func bearer(r *http.Request) (string, bool) {
	return strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
}

// grant returns what the token of r opens, and how long its address has to wait
// for an answer. A wrong one is counted.
func (g *gate) grant(r *http.Request) (page.Grant, time.Duration) {
	given, tries := bearer(r)
	if !tries {
		return page.Grant{}, 0
	}
	if named := g.tokens.Named(given); named.Right != page.None {
		return named, 0
	}
	if wait := g.limit.Wait(r.RemoteAddr, time.Now()); wait > 0 {
		return page.Grant{}, wait
	}
	shared := g.tokens.Common(given)
	if shared.Right == page.None {
		g.limit.Failed(r.RemoteAddr, time.Now())
		g.tell(r)
	}
	return shared, 0
}

func (g *gate) tell(r *http.Request) {
	from, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		from = r.RemoteAddr
	}
	g.refused(r.Method+" "+r.URL.Path, from)
}

func (g *gate) mayRead(r *http.Request) bool {
	if fromLoopback(r) {
		return true
	}
	grant, _ := g.grant(r)
	return grant.Right >= page.Look
}

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

func (g *gate) reading(h http.Handler) http.Handler {
	return g.guard(h, func(*http.Request) page.Right { return page.Look })
}

// api lets through who may look, for a command who may answer, and for anything
// else but GET who may change things.
func (g *gate) api(h http.Handler) http.Handler {
	return g.guard(h, func(r *http.Request) page.Right {
		switch {
		case r.Method == http.MethodGet || r.Method == http.MethodHead:
			return page.Look
		case strings.HasSuffix(r.URL.Path, "/command"):
			return page.Answer
		}
		return page.Change
	})
}

type grantKey struct{}

// allowed is everything for what came by no gate, over the control socket.
func allowed(r *http.Request) page.Grant {
	if g, gated := r.Context().Value(grantKey{}).(page.Grant); gated {
		return g
	}
	return page.Grant{Right: page.Change}
}

// guard lets a request through to h that has the right that it needs.
func (g *gate) guard(h http.Handler, needs func(*http.Request) page.Right) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		need := needs(r)
		grant, wait := g.grant(r)
		_, tries := bearer(r)
		switch {
		case wait > 0:
			w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
			writeError(w, http.StatusTooManyRequests, fmt.Errorf("too many wrong tokens from your address: wait %s", words.Span(wait)))
			return
		case grant.Right >= need, need == page.Look && fromLoopback(r):
			h.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), grantKey{}, grant)))
			return
		case grant.Right > page.None:
			g.tell(r)
			writeError(w, http.StatusForbidden, errMayNot)
			return
		case need > page.Look && !tries:
			g.tell(r)
		}
		w.Header().Set("WWW-Authenticate", `Bearer realm="dewline"`)
		writeError(w, http.StatusUnauthorized, errNeedToken)
	})
}

var errMayNot = errors.New("your token may not do this")

// behind stands before h and puts the address that a proxy tells in the place of
// the proxy's own: what comes through one does not come from this board. Believed
// is a proxy on this board and the one that is configured.
func behind(proxy string, h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		peer, _, err := net.SplitHostPort(r.RemoteAddr)
		ip := net.ParseIP(peer)
		known := proxy != "" && ip != nil && ip.Equal(net.ParseIP(proxy))
		forwarded := slices.ContainsFunc([]string{"X-Forwarded-For", "Forwarded", "X-Real-Ip", "Via", "X-Forwarded-Host"},
			func(name string) bool { return len(r.Header[name]) > 0 })
		if err == nil && ip != nil && (known || forwarded && ip.IsLoopback()) {
			other := *r
			other.RemoteAddr = net.JoinHostPort(told(r), "0")
			r = &other
		}
		h.ServeHTTP(w, r)
	})
}

// told returns the address that the last proxy saw; the unspecified one where it
// does not say, or says that it was this board.
func told(r *http.Request) string {
	all := strings.Split(strings.Join(r.Header["X-Forwarded-For"], ","), ",")
	last := strings.TrimSpace(all[len(all)-1])
	if last == "" {
		last = r.Header.Get("X-Real-Ip")
	}
	if ip := net.ParseIP(strings.Trim(last, "[]")); ip != nil && !ip.IsLoopback() {
		return ip.String()
	}
	return net.IPv4zero.String()
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
