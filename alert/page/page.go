// Package page serves what a keeper looks at in a browser: the room as its
// racks stand, one enclosure, the alarms, and the answer to a notice's link.
//
// Pages are made here from a snapshot and the record; nothing is decided, and
// everything a person asks for is handed on as a Command. Drawing lives in
// package chart, and who may read without a session is the caller's matter.
package page

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/fnv"
	"html/template"
	"iter"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
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
	// Command carries out what a person asks for. When it returns, Snapshot knows of it.
	Command func(ctx context.Context, c alert.Command) alert.Reply
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
	a.pages = template.Must(template.New("").Funcs(funcs()).Funcs(template.FuncMap{"asset": func(name string) string { return a.paths[name] }}).ParseFS(files, "html/*.html"))
	return a
}

func (a *assets) serve(name, mediaType string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", mediaType)
		w.Header().Set("Cache-Control", "public, max-age=604800, immutable")
		_, _ = w.Write(a.static[name])
	}
}

// A frame is what every page shows around its own content.
type frame struct {
	Title    string
	Page     string // which entry of the navigation is current
	Room     string
	Now      string
	By       string // who is logged in; empty for nobody
	Duty     string // who is told first; empty where that never changes
	Form     string // token of the session's forms
	Here     string // path and query to come back to
	Said     string
	Warnings []string
	Version  string
	Unacked  int
	Live     bool // kept up to date by the script
	reader
}

// frame fills in what all pages have.
func (s *site) frame(r *http.Request, title, page string) frame {
	f := frame{Title: title, Page: page, Here: r.URL.RequestURI(), Said: said[r.URL.Query().Get("said")]}
	if who := s.who(r); who != nil {
		f.By, f.Form = who.by, who.form
	}
	snap := s.o.Snapshot()
	if snap == nil {
		return f
	}
	f.Room, f.Version, f.reader = snap.RoomName, snap.Version, reader{s.o.Config().Room.Location, scaleOf(s.o.Config()), snap}
	f.Now = s.local(snap.At.Wall).Format("Mon 2 Jan 15:04")
	f.Warnings, f.Duty = s.warnings(snap), s.duty(snap)
	for _, a := range snap.Alarms {
		if a.State.Unanswered() {
			f.Unacked++
		}
	}
	return f
}

// duty is the name of who is told first now, where a [[duty]] or somebody says so.
func (s *site) duty(snap *alert.Snapshot) string {
	for _, p := range s.o.Config().People {
		if p.ID == snap.OnDuty {
			return cmp.Or(p.Name, p.ID)
		}
	}
	return ""
}

// people are the names of those who may be asking.
func (s *site) people() (names []string) {
	for _, p := range s.o.Config().People {
		names = append(names, cmp.Or(p.Name, p.ID))
	}
	return names
}

// warnings says what makes the page less than true.
func (s *site) warnings(snap *alert.Snapshot) []string {
	var out []string
	if old := s.noReadings(snap); old != "" {
		out = append(out, old)
	}
	if !snap.At.Synced {
		out = append(out, "The board's clock has not been set since it started: times, and day and night, may be wrong.")
	}
	if len(snap.Delivery.Stalled) > 0 {
		out = append(out, "Notices do not get through by "+strings.Join(snap.Delivery.Stalled, ", ")+": who has no other way is not warned.")
	}
	if !snap.Recording {
		out = append(out, words.Capital(words.Fact(snap.RecordWhy, unit.Celsius))+".")
	}
	if snap.ConfigRefused != "" {
		out = append(out, words.Capital(words.Fact(alarm.Fact{ID: alarm.FactID(alarm.ConfigRefused)}, unit.Celsius))+". Its alarm says why.")
	}
	return out
}

// noReadings says that no round of readings and rules has ended for too long;
// empty while they do.
func (s *site) noReadings(snap *alert.Snapshot) string {
	age := time.Since(snap.CycleAt)
	if snap.Cycle == 0 || age <= 3*s.o.Config().Room.Poll.D()+30*time.Second {
		return ""
	}
	return "No readings for " + words.Span(age) + ": what is shown is old. Look at the enclosures yourself."
}

// deadAfter is how long after its last snapshot the core counts as hung. A
// browser that hears nothing for 13 s says so, so that it does within 20 s.
const deadAfter = 4 * time.Second

// beat answers a browser, which asks every few seconds, with a sign of life: while the
// core goes on it makes a snapshot every second, and a server that still answers says
// nothing about it. The first line differs where the page is worth loading again at
// once, the second is what is wrong with the readings, if anything is.
func (s overviews) beat(w http.ResponseWriter, _ *http.Request) {
	snap := s.o.Snapshot()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if time.Since(snap.Published) > deadAfter {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintf(w, "%x\n%s\n", fingerprint(snap), s.noReadings(snap))
}

// fingerprint differs where alarms or notices do.
func fingerprint(snap *alert.Snapshot) uint64 {
	h := fnv.New64a()
	for _, a := range snap.Alarms {
		fmt.Fprintf(h, "%s %d %d,", a.ID(), a.State, a.Priority)
	}
	for _, n := range snap.Notices {
		fmt.Fprintf(h, "%s %d %t,", n.Notice.ID, n.Notice.Version, n.Acknowledged)
	}
	fmt.Fprint(h, snap.Recording, snap.Delivery.Stalled, snap.At.Synced)
	return h.Sum64()
}

// local returns t on the room's clock.
func (s *site) local(t time.Time) time.Time {
	return t.In(s.o.Config().Room.Location)
}

// show renders a page. It is written only when whole.
func (s *site) show(w http.ResponseWriter, code int, name string, data any) {
	var b bytes.Buffer
	if err := s.assets.pages.ExecuteTemplate(&b, name, data); err != nil {
		s.o.Log.Error("a page cannot be made", "page", name, "err", err)
		http.Error(w, "This page cannot be made; the log says why.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(b.Bytes()) // a reader who left needs no answer
}

// say shows one sentence.
func (s *site) say(w http.ResponseWriter, r *http.Request, code int, text string) {
	s.show(w, code, "message", struct {
		frame
		Text string
	}{s.frame(r, "dewline", ""), text})
}

// errNoRecord says that there is nothing to read from.
var errNoRecord = errors.New("the record is not open")

// refused passes on that somebody was refused.
func (s *site) refused(r *http.Request, what string) {
	s.o.Refused(context.WithoutCancel(r.Context()), what, household(r.RemoteAddr).Addr().String())
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
