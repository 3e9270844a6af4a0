package page

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"net/http"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

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
	f.Room, f.Version = snap.RoomName, snap.Version
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
	if len(snap.Stalled) > 0 {
		out = append(out, "Notices do not get through by "+strings.Join(snap.Stalled, ", ")+": who has no other way is not warned.")
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
		fmt.Fprintf(h, "%s %d %d,", a.ID, a.State, a.Priority)
	}
	for _, n := range snap.Notices {
		fmt.Fprintf(h, "%s %d %t,", n.Notice.ID, n.Notice.Version, n.Acknowledged)
	}
	fmt.Fprint(h, snap.Recording, snap.Stalled, snap.At.Synced)
	return h.Sum64()
}

// local returns t on the room's clock.
func (s *site) local(t time.Time) time.Time {
	return t.In(s.o.Config().Room.Location)
}

// when writes a moment: the time of day, with the date where it is another
// day.
func (s *site) when(t, now time.Time) string {
	t, now = s.local(t), s.local(now)
	if y, d := t.Year(), t.YearDay(); y == now.Year() && d == now.YearDay() {
		return t.Format("15:04")
	}
	if now.Sub(t) < 300*24*time.Hour && t.Before(now) {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("2 Jan 2006 15:04")
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

// settleFor is the longest that an answer waits for the next snapshot.
const settleFor = 1500 * time.Millisecond

// settle waits until a snapshot is there that is newer than was and so knows of
// what was just done, so that the next page shows it.
func (s *site) settle(r *http.Request, was *alert.Snapshot) {
	ticker, end := time.NewTicker(20*time.Millisecond), time.After(settleFor)
	defer ticker.Stop()
	for s.o.Snapshot() == was {
		select {
		case <-ticker.C:
		case <-end:
			return
		case <-r.Context().Done():
			return
		}
	}
}

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
