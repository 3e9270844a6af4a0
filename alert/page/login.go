package page

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"dewline/alert/words"
)

type loginPage struct {
	frame
	Next    string
	People  []string
	Name    string
	Fault   string
	NoToken bool
}

func (s doors) loginPage(r *http.Request, next, fault string) loginPage {
	return loginPage{
		frame: s.frame(r, "Log in", "login"), Next: next, People: s.people(), Fault: fault,
		NoToken: s.o.Tokens.Shared == "" && s.o.Tokens.List == nil,
	}
}

func (s doors) sendToLogin(w http.ResponseWriter, r *http.Request) {
	to := "/login"
	if r.Method == http.MethodGet && r.URL.Path != "/beat" && !strings.HasSuffix(r.URL.Path, ".svg") {
		to += "?next=" + url.QueryEscape(r.URL.RequestURI())
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (s doors) showLogin(w http.ResponseWriter, r *http.Request) {
	s.show(w, http.StatusOK, "login", s.loginPage(r, ownPath(r.URL.Query().Get("next")), ""))
}

// login compares the token and begins a session. Tries are limited for each
// address, and every refused one that was let through is told on.
func (s doors) login(w http.ResponseWriter, r *http.Request) {
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

func (s doors) refuseForNow(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	secs := int(math.Ceil(wait.Seconds()))
	w.Header().Set("Retry-After", strconv.Itoa(secs))
	s.say(w, r, http.StatusTooManyRequests, fmt.Sprintf("Too many tries. Wait %s and try again.", words.Span(wait)))
}

// logout needs the form of the session, so that no other page can do it.
func (s doors) logout(w http.ResponseWriter, r *http.Request) {
	who := s.sessions.of(r)
	if who != nil && !who.made(r.PostFormValue("form")) {
		s.say(w, r, http.StatusForbidden, "Your login changed. Reload the page and try again.")
		return
	}
	s.sessions.end(r)
	http.SetCookie(w, cookie(r, "", -time.Second))
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
