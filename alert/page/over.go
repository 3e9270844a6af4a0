package page

import (
	"net/http"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

// actOver does one thing to all alarms that are over, as after a hot day of the
// whole room: acknowledges those that nobody answered, or resets those held.
func (s *site) actOver(w http.ResponseWriter, r *http.Request) {
	kind := rules.ActionKind(r.PostFormValue("action"))
	by, done := s.sessions.of(r).by, 0
	snap := s.o.Snapshot()
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		switch {
		case kind == rules.Acknowledge && isOver(a) && needsAnswer(a.State):
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
	s.settle(r, snap)
	http.Redirect(w, r, withSaid("/alarms", string(kind)), http.StatusSeeOther)
}
