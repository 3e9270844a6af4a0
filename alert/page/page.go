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
	"fmt"
	"hash/fnv"
	"html/template"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

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

func (s *site) say(w http.ResponseWriter, r *http.Request, code int, text string) {
	s.show(w, code, "message", struct {
		frame
		Text string
	}{s.frame(r, "dewline", ""), text})
}

func (s *site) refused(r *http.Request, what string) {
	s.o.Refused(context.WithoutCancel(r.Context()), what, household(r.RemoteAddr).Addr().String())
}

func enclosureOf(cfg *configs.Config, id string) (configs.Enclosure, bool) {
	i := slices.IndexFunc(cfg.Enclosures, func(e configs.Enclosure) bool { return e.ID == id })
	if i < 0 {
		return configs.Enclosure{}, false
	}
	return cfg.Enclosures[i], true
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

// maxForm is the most that a form may carry, in bytes.
const maxForm = 16 << 10
