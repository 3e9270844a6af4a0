package page

import (
	"bytes"
	"context"
	"errors"
	"iter"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// History is where past values come from; *store.Store is one.
type History interface {
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
}

// Record is the record as far as pages read it.
type Record interface {
	History
	// JournalSince yields the events from a running time on.
	JournalSince(mono time.Duration) iter.Seq2[event.Event, error]
}

// A Note is one line that a keeper wrote about an enclosure.
type Note struct {
	At        time.Time
	Enclosure string
	By        string
	Text      string
}

// Notebook keeps the keepers' notes.
type Notebook interface {
	// Notes returns those of one enclosure within [from, to), oldest first.
	Notes(enclosure string, from, to time.Time) ([]Note, error)
	AddNote(ctx context.Context, enclosure, by, text string) error
}

// Options are what the pages are made from. Snapshot, Config, Command and
// MayRead are needed; without the others their parts stay empty or refused.
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
	// Summary serves the weekly summary; nil for none.
	Summary http.Handler
	// Stop ends streams when the server is about to stop.
	Stop <-chan struct{}
	Log  *slog.Logger // nil discards
}

// A site is all pages of one daemon.
type site struct {
	o        Options
	sessions *sessions
	limit    *Limiter
	ranges   *ranges
	assets   *assets
	streams  chan struct{} // one token for each open stream
}

// maxStreams is how many browsers are kept up to date at once; the others
// are current when they load.
const maxStreams = 32

// New returns the handler of every page, starting at "/".
func New(o Options) http.Handler { return newSite(o).handler() }

func newSite(o Options) *site {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Record == nil {
		o.Record = func() Record { return nil }
	}
	return &site{
		o: o, sessions: newSessions(), limit: NewLimiter(), ranges: &ranges{},
		assets: loadAssets(), streams: make(chan struct{}, maxStreams),
	}
}

// handler routes addresses to pages.
func (s *site) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /style.css", s.assets.serve("style.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /live.js", s.assets.serve("live.js", "text/javascript; charset=utf-8"))
	mux.HandleFunc("GET /icon.svg", s.assets.serve("icon.svg", "image/svg+xml"))
	mux.HandleFunc("GET /login", s.showLogin)
	mux.HandleFunc("POST /login", s.login)
	mux.HandleFunc("POST /logout", s.logout)
	mux.HandleFunc("GET /answer/{id...}", s.showAnswer)
	mux.HandleFunc("POST /answer/{id...}", s.answer)
	mux.HandleFunc("GET /{$}", s.reading(s.home))
	mux.HandleFunc("GET /enclosure/{id}", s.reading(s.enclosure))
	mux.HandleFunc("GET /enclosure/{id}/chart.svg", s.reading(s.chart))
	mux.HandleFunc("POST /enclosure/{id}/notes", s.acting(Change, s.addNote))
	mux.HandleFunc("GET /alarms", s.reading(s.alarms))
	mux.HandleFunc("POST /act", s.acting(Answer, s.act))
	mux.HandleFunc("POST /act/over", s.acting(Answer, s.actOver))
	mux.HandleFunc("GET /events", s.reading(s.events))
	mux.HandleFunc("GET /beat", s.reading(s.beat))
	if s.o.Summary != nil {
		mux.HandleFunc("GET /summary", s.reading(s.o.Summary.ServeHTTP))
	}
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

// guarded sets the headers that hold for every answer.
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
			s.sendToLogin(w, r)
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
	assets   *assets
	Live     bool // kept up to date by the script
}

func (f frame) Style() string  { return f.assets.path("style.css") }
func (f frame) Script() string { return f.assets.path("live.js") }
func (f frame) Icon() string   { return f.assets.path("icon.svg") }

// frame fills in what all pages have.
func (s *site) frame(r *http.Request, title, page string) frame {
	f := frame{Title: title, Page: page, Here: r.URL.RequestURI(), assets: s.assets, Said: said[r.URL.Query().Get("said")]}
	if who := s.who(r); who != nil {
		f.By, f.Form = who.by, who.form
	}
	snap := s.o.Snapshot()
	if snap == nil {
		return f
	}
	f.Room, f.Version = snap.RoomName, snap.Version
	f.Now = s.local(snap.At.Wall).Format("Mon 2 Jan 15:04")
	f.Warnings, f.Duty = s.warnings(snap), s.duty(snap)
	for _, a := range snap.Alarms {
		if needsAnswer(a.State) {
			f.Unacked++
		}
	}
	return f
}

// duty is the name of who is told first now, where a [[duty]] says so.
func (s *site) duty(snap *alert.Snapshot) string {
	cfg := s.o.Config()
	id := cfg.DutyAt(snap.At.Wall)
	for _, p := range cfg.People {
		if p.ID == id && snap.At.Synced {
			return nameOf(p.ID, p.Name)
		}
	}
	return ""
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
	if len(snap.Stalled) > 0 {
		out = append(out, "Notices do not get through by "+strings.Join(snap.Stalled, ", ")+": nobody may be warned.")
	}
	if !snap.Recording {
		out = append(out, words.Capital(words.Fact(snap.RecordWhy, unit.Celsius))+".")
	}
	if snap.ConfigRefused != "" {
		out = append(out, words.Capital(words.Fact(alarm.Fact{ID: alarm.FactID(rules.ConfigRefused)}, unit.Celsius))+". Its alarm says why.")
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

// local returns t on the room's clock.
func (s *site) local(t time.Time) time.Time {
	if loc := s.o.Config().Room.Location; loc != nil {
		return t.In(loc)
	}
	return t
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
