package page

import (
	"cmp"
	"math"
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
	c, lacks := commandOf(r)
	if lacks != "" {
		s.say(w, r, http.StatusUnprocessableEntity, lacks)
		return
	}
	c.By = s.sessions.of(r).by
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

// What a form may lack, for the keeper.
const (
	noSuchAction = "The form asks for something that does not exist."
	noSuchAlarm  = "The form does not name an alarm of this room."
	noSuchNotice = "The form does not name a notice of this room."
	noLength     = "Choose for how long."
	noReason     = "Say why: whoever comes next has to know."
)

// commandOf reads a form strictly, and says what it lacks.
func commandOf(r *http.Request) (c alert.Command, lacks string) {
	c = alert.Command{
		Action: r.PostFormValue("action"), Alarm: r.PostFormValue("alarm"), Subject: r.PostFormValue("subject"),
		Notice: r.PostFormValue("notice"), Why: line(r.PostFormValue("why"), maxWhy),
	}
	if !isID(c.Alarm, true) || !isID(c.Subject, c.Notice != "") || len(c.Notice) > 200 {
		lacks = noSuchAlarm
	}
	if v := r.PostFormValue("version"); v != "" {
		n, err := strconv.ParseUint(v, 10, 31)
		if err != nil || c.Notice == "" {
			lacks = cmp.Or(lacks, noSuchNotice)
		}
		c.Version = int(n)
	}
	if seq := r.PostFormValue("seq"); seq != "" {
		n, err := strconv.ParseUint(seq, 10, 64)
		if err != nil {
			lacks = cmp.Or(lacks, noSuchAlarm)
		}
		c.Seq = n
	}
	switch rules.ActionKind(c.Action) {
	case rules.Acknowledge, rules.Unshelve, rules.Reset, rules.ReturnToService:
	case rules.Shelve, rules.TakeOut:
		c.Empty = r.PostFormValue("empty") != "" && c.Action == string(rules.TakeOut)
		lacks = cmp.Or(lacks, term(&c, r.PostFormValue("minutes")))
	default:
		lacks = noSuchAction
	}
	return c, lacks
}

// term reads for how long an alarm is to be put away, which also needs a reason.
func term(c *alert.Command, minutes string) (lacks string) {
	n, err := strconv.ParseFloat(minutes, 64)
	if err != nil || math.IsNaN(n) || n < 1 || n > 30*24*60 {
		return noLength
	}
	if c.Minutes = n; c.Why == "" {
		return noReason
	}
	return ""
}

// isID reports whether s can be an id of the configuration.
func isID(s string, mayBeEmpty bool) bool {
	if s == "" {
		return mayBeEmpty
	}
	return len(s) <= 64 && !strings.ContainsFunc(s, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-'
	})
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
