package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"maps"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
)

// A Right is what a token opens; each holds those before it.
type Right int

// The rights.
const (
	None Right = iota
	Look
	Answer // acknowledge alarms
	Change
)

var rightNames = [...]string{Look: "look", Answer: "answer", Change: "change"}

// RightOf returns the right of a name: look, answer or change; else None.
func RightOf(name string) Right {
	return Right(max(slices.Index(rightNames[:], name), int(None)))
}

// A Grant is what a token opens, and to whom.
type Grant struct {
	Name  string // empty for the one token that anybody may have
	Right Right
}

// Tokens are what people and programs show to be let in. List is read at every
// use, so that a token taken out of it opens nothing more.
type Tokens struct {
	Shared string // opens everything; empty for none
	// List returns the lines of the tokens with names: a name, a right and the
	// SHA-256 of the token in hexadecimal. Nil for none.
	List func() (string, error)
}

// A tokenID is how a token is kept: its SHA-256.
type tokenID [sha256.Size]byte

// idOf returns how a token is kept. Names and rights do not hang on how long a
// comparison takes: what is compared is a hash.
func idOf(token string) tokenID { return sha256.Sum256([]byte(token)) }

// NewToken returns a token that nobody guesses, and the line that keeps it.
func NewToken(name, right string) (token, line string) {
	token = rand.Text() // 130 bits
	id := idOf(token)
	return token, name + " " + right + " " + hex.EncodeToString(id[:])
}

// shortestNamed is the fewest characters of a token with a name. A longer one is
// not guessed, so tries need no limit and nobody can lock its owner out.
const shortestNamed = 20

// Named returns what a token with a name opens.
func (t *Tokens) Named(token string) Grant {
	if len(token) < shortestNamed {
		return Grant{}
	}
	return t.byID(idOf(token), false)
}

// Common returns what the shared token opens.
func (t *Tokens) Common(token string) Grant { return t.byID(idOf(token), true) }

func (t *Tokens) byID(id tokenID, shared bool) Grant {
	if shared {
		if own := idOf(t.Shared); t.Shared != "" && subtle.ConstantTimeCompare(id[:], own[:]) == 1 {
			return Grant{Right: Change}
		}
		return Grant{}
	}
	if t.List == nil {
		return Grant{}
	}
	text, err := t.List()
	if err != nil {
		return Grant{} // told by who reads it at the start
	}
	lines, _ := ParseTokens(text) // a fault in one line shuts out nobody else
	return lines[id]
}

// ParseTokens reads the lines of Tokens.List; those that are empty or begin with #
// say nothing.
func ParseTokens(text string) (map[tokenID]Grant, error) {
	out := map[tokenID]Grant{}
	var err error
	for i, line := range strings.Split(text, "\n") {
		f := strings.Fields(line)
		if len(f) == 0 || strings.HasPrefix(f[0], "#") {
			continue
		}
		var id tokenID
		if len(f) != 3 || RightOf(f[1]) == None || len(f[2]) != hex.EncodedLen(len(id)) {
			err = fmt.Errorf("line %d is not a name, a right (look, answer or change) and a hash: write what dewline token prints", i+1)
			continue
		}
		if _, e := hex.Decode(id[:], []byte(f[2])); e != nil {
			err = fmt.Errorf("line %d: the hash is not hexadecimal", i+1)
			continue
		}
		out[id] = Grant{f[0], RightOf(f[1])}
	}
	return out, err
}

// A session is one browser that knew the token. Sessions live in memory: a
// restart asks for the token again.
type session struct {
	by      string  // who said to be there, or whose token it is
	form    string  // what every form of the session carries
	token   tokenID // that opened it, and opens it still
	shared  bool    // the token without a name
	expires time.Time
	right   Right // in a copy for one request
}

func (s *session) made(form string) bool {
	return subtle.ConstantTimeCompare([]byte(form), []byte(s.form)) == 1
}

const (
	sessionFor  = 30 * 24 * time.Hour
	maxSessions = 20 // of one token: whoever has another cannot push its owner out
	cookiePlain = "dewline"
	// cookieSecure may only be set over TLS, for this host and all paths
	// (cookie name prefixes, RFC 6265bis).
	cookieSecure = "__Host-dewline"
)

// sessions are kept under the hash of their id, so that what leaks from
// memory opens nothing.
type sessions struct {
	mu   sync.Mutex // guards byID
	byID map[[sha256.Size]byte]*session
}

func newSessions() *sessions { return &sessions{byID: map[[sha256.Size]byte]*session{}} }

// begin returns the id of a new session, opened by a token.
func (s *sessions) begin(by, token string, shared bool, now time.Time) string {
	id := rand.Text() + rand.Text()
	s.mu.Lock()
	defer s.mu.Unlock()
	key := idOf(token)
	var own [][sha256.Size]byte
	for k, v := range s.byID {
		if !now.Before(v.expires) {
			delete(s.byID, k)
		} else if v.token == key {
			own = append(own, k)
		}
	}
	if len(own) >= maxSessions {
		delete(s.byID, slices.MinFunc(own, func(a, b [sha256.Size]byte) int { return s.byID[a].expires.Compare(s.byID[b].expires) }))
	}
	s.byID[sha256.Sum256([]byte(id))] = &session{by: by, token: key, shared: shared, form: rand.Text(), expires: now.Add(sessionFor)}
	return id
}

// of returns the session of a request, nil for none.
func (s *sessions) of(r *http.Request) *session {
	c, err := r.Cookie(cookieName(r))
	if err != nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	v := s.byID[sha256.Sum256([]byte(c.Value))]
	if v == nil || !time.Now().Before(v.expires) {
		return nil
	}
	return v
}

func (s *sessions) end(r *http.Request) {
	if c, err := r.Cookie(cookieName(r)); err == nil {
		s.mu.Lock()
		delete(s.byID, sha256.Sum256([]byte(c.Value)))
		s.mu.Unlock()
	}
}

func cookieName(r *http.Request) string {
	if r.TLS != nil {
		return cookieSecure
	}
	return cookiePlain
}

// cookie returns the session's cookie; a negative age takes it away.
func cookie(r *http.Request, id string, age time.Duration) *http.Cookie {
	return &http.Cookie{
		Name: cookieName(r), Value: id, Path: "/", MaxAge: int(age.Seconds()),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
	}
}

// So many tries of one address may fail within limitSpan, then it has to wait.
// There is no limit for all together: strangers would lock the keeper out.
const (
	limitSpan  = 10 * time.Minute
	limitOne   = 8
	maxTracked = 512
)

// A Limiter counts failed tries by address; an IPv6 address by its /64, which
// is one household. It is safe for concurrent use.
type Limiter struct {
	mu sync.Mutex // guards by
	by map[netip.Prefix][]time.Time
}

// NewLimiter returns a Limiter that has seen nothing.
func NewLimiter() *Limiter { return &Limiter{by: map[netip.Prefix][]time.Time{}} }

// Wait returns how long an address ("host:port") has to wait before it may try.
func (l *Limiter) Wait(addr string, now time.Time) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	tries := l.by[household(addr)]
	if len(tries) < limitOne {
		return 0
	}
	return max(limitSpan-now.Sub(tries[len(tries)-limitOne]), 0)
}

// Failed counts one failed try.
func (l *Limiter) Failed(addr string, now time.Time) {
	l.mu.Lock()
	defer l.mu.Unlock()
	key := household(addr)
	if _, known := l.by[key]; !known && len(l.by) >= maxTracked {
		l.makeRoom(now)
	}
	tries := append(l.by[key], now)
	l.by[key] = tries[max(len(tries)-limitOne, 0):]
}

// makeRoom forgets what no longer counts, and else the address that was silent
// for longest.
func (l *Limiter) makeRoom(now time.Time) {
	last := func(k netip.Prefix) time.Time { return l.by[k][len(l.by[k])-1] }
	maps.DeleteFunc(l.by, func(k netip.Prefix, _ []time.Time) bool { return now.Sub(last(k)) >= limitSpan })
	if len(l.by) >= maxTracked {
		delete(l.by, slices.MinFunc(slices.Collect(maps.Keys(l.by)), func(a, b netip.Prefix) int { return last(a).Compare(last(b)) }))
	}
}

// household returns what counts as one address.
func household(addr string) netip.Prefix {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		host = addr
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Prefix{}
	}
	ip = ip.Unmap().WithZone("")
	bits := ip.BitLen()
	if ip.Is6() {
		bits = 64
	}
	p, _ := ip.Prefix(bits) // so many there are
	return p
}

// ownPath returns a path of this site, "/" for anything else: a login must not
// send anybody elsewhere.
func ownPath(p string) string {
	u, err := url.Parse(p)
	if err != nil || u.Scheme != "" || u.Host != "" || u.User != nil || !strings.HasPrefix(p, "/") ||
		strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n\t") {
		return "/"
	}
	return u.RequestURI()
}
