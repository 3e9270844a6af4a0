package page

import (
	"net/http"

	"dewline/rules"
)

// New returns the handler of every page, starting at "/".
func New(o Options) http.Handler { return newSite(o).handler() }

func (s *site) handler() http.Handler {
	d, a, over, one := doors{s}, answers{s}, overviews{s}, closeups{s}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /style.css", s.assets.serve("style.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /live.js", s.assets.serve("live.js", "text/javascript; charset=utf-8"))
	mux.HandleFunc("GET /icon.svg", s.assets.serve("icon.svg", "image/svg+xml"))
	mux.HandleFunc("GET /login", d.showLogin)
	mux.HandleFunc("POST /login", d.login)
	mux.HandleFunc("POST /logout", d.logout)
	mux.HandleFunc("GET /answer/{id...}", a.showAnswer)
	mux.HandleFunc("POST /answer/{id...}", a.answer)
	mux.HandleFunc("GET /{$}", s.reading(over.home))
	mux.HandleFunc("GET /enclosure/{id}", s.reading(one.enclosure))
	mux.HandleFunc("GET /enclosure/{id}/chart.svg", s.reading(one.chart))
	mux.HandleFunc("POST /enclosure/{id}/notes", s.acting(Change, one.addNote))
	mux.HandleFunc("GET /alarms", s.reading(over.alarms))
	mux.HandleFunc("POST /act", s.acting(Answer, a.act))
	mux.HandleFunc("POST /act/over", s.acting(Answer, a.actOver))
	mux.HandleFunc("GET /beat", s.reading(over.beat))
	mux.HandleFunc("GET /summary", s.reading(s.o.Summary.ServeHTTP))
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		s.say(w, r, http.StatusNotFound, "There is no such page.")
	})
	return s.guarded(mux)
}

// policy lets a page use nothing but its own files, whatever text it shows.
const policy = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func (s *site) guarded(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", policy)
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("X-Frame-Options", "DENY")
		// Not no-referrer: a browser would then send the origin "null" with a
		// form, which looks like a foreign one.
		head.Set("Referrer-Policy", "same-origin")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		head.Set("Cache-Control", "no-store")
		r.Body = http.MaxBytesReader(w, r.Body, maxForm)
		h.ServeHTTP(w, r)
	})
}

// reading lets through who may look and sends the others to the login.
func (s *site) reading(h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !s.o.MayRead(r) && s.who(r) == nil {
			doors{s}.sendToLogin(w, r)
			return
		}
		if s.o.Snapshot() == nil {
			w.Header().Set("Retry-After", "2")
			s.say(w, r, http.StatusServiceUnavailable, "dewline has just started. Load this page again in a few seconds.")
			return
		}
		h(w, r)
	}
}

// acting lets through who has a session with a right, for which the form was made.
// A form with an action other than to acknowledge changes something.
func (s *site) acting(least Right, h http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		who := s.who(r)
		if who == nil {
			s.say(w, r, http.StatusUnauthorized, "Log in first: this changes something.")
			return
		}
		if err := r.ParseForm(); err != nil {
			s.say(w, r, http.StatusBadRequest, "The form could not be read.")
			return
		}
		if !who.made(r.PostFormValue("form")) {
			s.say(w, r, http.StatusForbidden, "Your login changed. Go back, reload the page and try again.")
			return
		}
		need := least
		if action := r.PostFormValue("action"); action != "" && action != string(rules.Acknowledge) {
			need = Change
		}
		if who.right < need {
			s.say(w, r, http.StatusForbidden, "Nothing was done: your token may only "+rightNames[who.right]+".")
			return
		}
		if s.o.Snapshot() == nil {
			s.say(w, r, http.StatusServiceUnavailable, "dewline has just started. Try again in a few seconds.")
			return
		}
		h(w, r)
	}
}
