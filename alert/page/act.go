package page

import (
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

func (s answers) act(w http.ResponseWriter, r *http.Request) {
	c, err := commandOf(r, s.sessions.of(r).by)
	if err != nil {
		s.say(w, r, http.StatusUnprocessableEntity, "Nothing was done: "+err.Error()+".")
		return
	}
	reply := s.o.Command(r.Context(), c)
	if !reply.OK {
		s.say(w, r, http.StatusConflict, "Nothing was done: "+reply.Error+".")
		return
	}
	if reply.Note != "" {
		s.say(w, r, http.StatusOK, "Note: "+reply.Note+".")
		return
	}
	http.Redirect(w, r, withSaid(ownPath(r.PostFormValue("back")), c.Action), http.StatusSeeOther)
}

// withSaid adds what was done to an address of this site.
func withSaid(path, what string) string {
	u, err := url.Parse(path)
	if err != nil {
		return "/"
	}
	q := u.Query()
	q.Set("said", what)
	u.RawQuery, u.Fragment = q.Encode(), ""
	return u.String()
}

var (
	errNoNumber = errors.New("a number of the form cannot be read")
	errNoReason = errors.New("say why: whoever comes next has to know")
)

func commandOf(r *http.Request, by string) (alert.Command, error) {
	c := alert.Command{
		Action: r.PostFormValue("action"), Alarm: r.PostFormValue("alarm"), Subject: r.PostFormValue("subject"), Priority: r.PostFormValue("priority"),
		Notice: r.PostFormValue("notice"), By: by, Why: line(r.PostFormValue("why"), maxWhy), Empty: r.PostFormValue("empty") != "",
	}
	number := func(field string) string { return cmp.Or(r.PostFormValue(field), "0") }
	version, noVersion := strconv.ParseUint(number("version"), 10, 31)
	seq, noSeq := strconv.ParseUint(number("seq"), 10, 64)
	minutes, noMinutes := strconv.ParseFloat(number("minutes"), 64)
	if errors.Join(noVersion, noSeq, noMinutes) != nil {
		return c, errNoNumber
	}
	c.Version, c.Seq, c.Minutes = int(version), seq, minutes
	if err := c.Check(); err != nil {
		return c, err
	}
	if c.Minutes > 0 && c.Why == "" {
		return c, errNoReason
	}
	return c, nil
}

// actOver does one thing to all alarms that are over, as after a hot day of the
// whole room: acknowledges those that nobody answered, or resets those held.
func (s answers) actOver(w http.ResponseWriter, r *http.Request) {
	kind := rules.ActionKind(r.PostFormValue("action"))
	by, done := s.sessions.of(r).by, 0
	for _, a := range s.o.Snapshot().Alarms {
		switch {
		case kind == rules.Acknowledge && a.State.Over() && a.State.Unanswered():
		case kind == rules.Reset && a.State == alarm.LatchAck:
		default:
			continue
		}
		c := alert.Command{Action: string(kind), Alarm: string(a.Key.Alarm), Subject: a.Key.Subject, Seq: a.Seq, By: by, Why: "all that was over"}
		if reply := s.o.Command(r.Context(), c); reply.OK {
			done++
		}
	}
	if done == 0 {
		s.say(w, r, http.StatusConflict, "Nothing was done: no alarm waits for that any more.")
		return
	}
	http.Redirect(w, r, withSaid("/alarms", string(kind)), http.StatusSeeOther)
}

type answerPage struct {
	frame
	ID, Token string
	Card      *noticeCard
	Drill     bool
	Over      bool
	Done      bool
	News      bool // since the version that the link answers
	People    []string
	Fault     string
}

// linked checks the token of a link. Programs fetch links before people do, so
// looking changes nothing and only the form acts. Nobody guesses a token of 128
// bits, so tries have no limit by which strangers could shut out who has one.
func (s answers) linked(w http.ResponseWriter, r *http.Request, token string) (version int, ok bool) {
	if version, ok = s.o.Link(r.PathValue("id"), token); ok {
		return version, true
	}
	s.refused(r, "link")
	s.say(w, r, http.StatusForbidden, "This link is not valid. It is mistyped, or was made before dewline changed its key. Open the page and log in instead.")
	return 0, false
}

func (s answers) answerPage(r *http.Request, token string, version int) answerPage {
	p := answerPage{frame: s.frame(r, "Answer", ""), ID: r.PathValue("id"), Token: token, Drill: strings.HasPrefix(r.PathValue("id"), "drill/")}
	snap := s.o.Snapshot()
	if snap == nil {
		return p
	}
	if p.Drill {
		p.Done = snap.Drill != nil && snap.Drill.ID == p.ID && snap.Drill.Acked
		p.Over = snap.Drill == nil || snap.Drill.ID != p.ID || snap.Drill.Done && !p.Done
	} else if v := openNotice(snap, p.ID); v != nil {
		c := p.card(v)
		p.Card, p.Done = &c, v.Acknowledged
		p.News = !v.Acknowledged && (v.Notice.ID != p.ID || v.Notice.Version > version)
	} else {
		p.Over = true
	}
	p.People = s.people()
	return p
}

// openNotice finds a notice by its id, or the one that absorbed it.
func openNotice(snap *alert.Snapshot, id string) *alert.NoticeView {
	for i := range snap.Notices {
		v := &snap.Notices[i]
		if v.Notice.ID == id || slices.Contains(v.Notice.Supersedes, id) {
			return v
		}
	}
	return nil
}

func (s answers) showAnswer(w http.ResponseWriter, r *http.Request) {
	token := r.URL.Query().Get("t")
	version, ok := s.linked(w, r, token)
	if !ok {
		return
	}
	s.show(w, http.StatusOK, "answer", s.answerPage(r, token, version))
}

// answer acknowledges what the message of the link told, and no news since.
func (s answers) answer(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.say(w, r, http.StatusBadRequest, "The form could not be read.")
		return
	}
	token := r.PostFormValue("t")
	version, ok := s.linked(w, r, token)
	if !ok {
		return
	}
	p := s.answerPage(r, token, version)
	by := line(r.PostFormValue("by"), maxName)
	if by == "" {
		p.Fault = "Say who you are."
		s.show(w, http.StatusUnprocessableEntity, "answer", p)
		return
	}
	c := alert.Command{Action: string(rules.Acknowledge), Notice: p.ID, Version: version, By: by, Why: "by the link of the notice"}
	reply := s.o.Command(r.Context(), c)
	if !reply.OK {
		p.Over, p.Fault = true, reply.Error
		s.show(w, http.StatusConflict, "answer", p)
		return
	}
	p.Done, p.Fault = true, reply.Note
	s.show(w, http.StatusOK, "answer", p)
}
