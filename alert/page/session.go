package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"slices"
	"sync"
	"time"
)

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
