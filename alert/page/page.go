// Package page serves what a keeper looks at in a browser: the room as its
// racks stand, one enclosure, the alarms, and the answer to a notice's link.
//
// Pages are made here from a snapshot and the record; nothing is decided, and
// everything a person asks for is handed on as a Command. Drawing lives in
// package chart, and who may read without a session is the caller's matter.
package page

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"iter"
	"log/slog"
	"net/http"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
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

// maxForm is the most that a form may carry, in bytes.
const maxForm = 16 << 10

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

// Record is the record as far as pages read it; *store.Store is one.
type Record interface {
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	// JournalSince yields the events from a running time on.
	JournalSince(mono time.Duration) iter.Seq2[event.Event, error]
}

// Notebook keeps the keepers' notes.
type Notebook interface {
	// Notes returns those of one enclosure within [from, to), oldest first.
	Notes(enclosure string, from, to time.Time) ([]wire.Note, error)
	AddNote(ctx context.Context, enclosure, by, text string) error
}

// MostNote is how many characters a note may have.
const MostNote = 500

// Options are what the pages are made from. All are needed.
type Options struct {
	Snapshot func() *alert.Snapshot // nil before the first round
	Config   func() *configs.Config
	Record   func() Record // nil while the record is not open
	Notebook Notebook
	Command  func(ctx context.Context, c alert.Command) alert.Reply
	// Link reports whether token belongs to the link of a notice, and to which
	// version of it.
	Link func(noticeID, token string) (version int, ok bool)
	// Refused is told of refused logins and links, for the journal. It is
	// called at most as often as tries are let through.
	Refused func(ctx context.Context, what, from string)
	// Tokens are what a login asks for; none refuses every login.
	Tokens Tokens
	// MayRead reports whether a request may look without a session.
	MayRead func(r *http.Request) bool
	// Summary serves the weekly summary.
	Summary http.Handler
	Log     *slog.Logger
}

// A site is all pages of one daemon.
type site struct {
	o        Options
	sessions *sessions
	limit    *Limiter
	ranges   *ranges
	assets   *assets
}

type (
	doors     struct{ *site } // logging in and out
	answers   struct{ *site } // what a person does about notices and alarms
	overviews struct{ *site } // the room and its alarms
	closeups  struct{ *site } // one enclosure
)

func newSite(o Options) *site {
	return &site{o: o, sessions: newSessions(), limit: NewLimiter(), ranges: &ranges{}, assets: loadAssets()}
}

//go:embed html static
var files embed.FS

type assets struct {
	static map[string][]byte
	paths  map[string]string // with a hash, so that a browser may keep them
	pages  *template.Template
}

// loadAssets reads what is embedded; a test renders every page. The pages are
// one set of templates, so that what they share is held once.
func loadAssets() *assets {
	a := &assets{static: map[string][]byte{}, paths: map[string]string{}}
	for _, name := range []string{"style.css", "live.js", "icon.svg"} {
		b, err := files.ReadFile("static/" + name)
		if err != nil {
			panic(fmt.Sprintf("page: embedded file: %v", err))
		}
		sum := sha256.Sum256(b)
		a.static[name] = b
		a.paths[name] = "/" + name + "?v=" + hex.EncodeToString(sum[:6])
	}
	a.pages = template.Must(template.New("").Funcs(template.FuncMap{"pair": pair, "asset": func(name string) string { return a.paths[name] }}).ParseFS(files, "html/*.html"))
	return a
}

func (a *assets) serve(name, mediaType string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", mediaType)
		w.Header().Set("Cache-Control", "public, max-age=604800, immutable")
		_, _ = w.Write(a.static[name])
	}
}

// A paired is a card with the page around it.
type paired struct{ Card, Page any }

func pair(card, page any) paired { return paired{card, page} }
