package page

import (
	"net/http"
	"slices"
	"strings"

	"dewline/alert"
	"dewline/rules"
)

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
		c := s.card(v, snap)
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
