package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"net/url"
	"strings"
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

// made reports whether a form was made for the session.
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
	n, key := 0, idOf(token)
	var oldest [sha256.Size]byte
	var when time.Time
	for k, v := range s.byID {
		if !now.Before(v.expires) {
			delete(s.byID, k)
		} else if v.token == key {
			if n++; when.IsZero() || v.expires.Before(when) {
				oldest, when = k, v.expires
			}
		}
	}
	if n >= maxSessions {
		delete(s.byID, oldest)
	}
	s.byID[sha256.Sum256([]byte(id))] = &session{by: by, token: key, shared: shared, form: rand.Text(), expires: now.Add(sessionFor)}
	return id
}

// who returns the session of a request whose token still opens something, nil for
// none.
func (s *site) who(r *http.Request) *session {
	v := s.sessions.of(r)
	if v == nil {
		return nil
	}
	one := *v
	one.right = s.o.Tokens.byID(v.token, v.shared).Right
	if one.right == None {
		return nil
	}
	return &one
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

type loginPage struct {
	frame
	Next    string
	People  []string
	Name    string
	Fault   string
	NoToken bool
}

func (s *site) loginPage(r *http.Request, next, fault string) loginPage {
	p := loginPage{frame: s.frame(r, "Log in", "login"), Next: next, Fault: fault, NoToken: s.o.Tokens.Shared == "" && s.o.Tokens.List == nil}
	for _, person := range s.o.Config().People {
		name := person.Name
		if name == "" {
			name = person.ID
		}
		p.People = append(p.People, name)
	}
	return p
}

func (s *site) sendToLogin(w http.ResponseWriter, r *http.Request) {
	to := "/login"
	if r.Method == http.MethodGet && r.URL.Path != "/events" && !strings.HasSuffix(r.URL.Path, ".svg") {
		to += "?next=" + url.QueryEscape(r.URL.RequestURI())
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (s *site) showLogin(w http.ResponseWriter, r *http.Request) {
	s.show(w, http.StatusOK, "login", s.loginPage(r, ownPath(r.URL.Query().Get("next")), ""))
}

// login compares the token and begins a session. Tries are limited for each
// address, and every refused one that was let through is told on.
func (s *site) login(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.say(w, r, http.StatusBadRequest, "The form could not be read.")
		return
	}
	next := ownPath(r.PostFormValue("next"))
	by := line(r.PostFormValue("by"), maxName)
	given := strings.TrimSpace(r.PostFormValue("token"))
	grant := s.o.Tokens.Named(given)
	shared := grant.Right == None
	if shared {
		if wait := s.limit.Wait(r.RemoteAddr, time.Now()); wait > 0 {
			s.refuseForNow(w, r, wait)
			return
		}
		grant = s.o.Tokens.Common(given)
	} else {
		by = grant.Name
	}
	if by == "" {
		s.show(w, http.StatusUnprocessableEntity, "login", s.loginPage(r, next, "Say who you are: the name stands beside what you do."))
		return
	}
	if grant.Right == None {
		s.limit.Failed(r.RemoteAddr, time.Now())
		s.refused(r, "login")
		p := s.loginPage(r, next, "That is not the token.")
		p.Name = by
		s.show(w, http.StatusForbidden, "login", p)
		return
	}
	s.sessions.end(r) // a new id for every login
	http.SetCookie(w, cookie(r, s.sessions.begin(by, given, shared, time.Now()), sessionFor))
	http.Redirect(w, r, next, http.StatusSeeOther)
}

// logout needs the form of the session, so that no other page can do it.
func (s *site) logout(w http.ResponseWriter, r *http.Request) {
	who := s.sessions.of(r)
	if who != nil && !who.made(r.PostFormValue("form")) {
		s.say(w, r, http.StatusForbidden, "Your login changed. Reload the page and try again.")
		return
	}
	s.sessions.end(r)
	http.SetCookie(w, cookie(r, "", -time.Second))
	http.Redirect(w, r, "/", http.StatusSeeOther)
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
