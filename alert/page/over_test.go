package page

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

// hotDay is a room in which n enclosures were at their lethal limit until two hours
// ago; the third still is.
func hotDay(t *testing.T, n int) *rig {
	r := newRig(t, n)
	for i := range r.snap.Enclosures {
		for _, id := range []alarm.ID{alarm.AboveBand, alarm.LethalLimit} {
			a := r.snap.Alarms[2]
			a.Key, a.State, a.OverFor = alarm.Key{Alarm: id, Subject: r.snap.Enclosures[i].ID}, alarm.RTNUN, 2*time.Hour
			if id == alarm.LethalLimit {
				a.State = alarm.LatchUnack
			}
			if i != 2 {
				r.snap.Alarms = append(r.snap.Alarms, a)
			}
		}
	}
	return r
}

// After a day in which the whole room was too hot nobody presses a button for
// each of dozens of alarms, and what is still going on is not among them.
func TestAnswerAllThatIsOver(t *testing.T) {
	r := hotDay(t, 12)
	if a := r.post("/act/over", map[string]string{"action": "acknowledge"}); a.code != http.StatusUnauthorized {
		t.Errorf("without a session: %d", a.code)
	}
	form := r.login("Ada")
	if a := r.post("/act/over", map[string]string{"action": "acknowledge", "form": "x"}); a.code != http.StatusForbidden {
		t.Errorf("with a foreign form: %d", a.code)
	}
	if len(r.took()) != 0 {
		t.Fatal("a stranger's answer came through")
	}
	if a := r.get("/alarms"); !strings.Contains(a.body, "Acknowledge all 23<") {
		t.Error("the page does not offer to acknowledge the 23 that are over")
	}
	if a := r.post("/act/over", map[string]string{"action": "acknowledge", "form": form}); a.code != http.StatusOK || a.path != "/alarms?said=acknowledge" {
		t.Errorf("%d at %s", a.code, a.path)
	}
	got := r.took()
	for _, c := range got {
		if c.Action != "acknowledge" || c.By != "Ada" || c.Seq != 7 || c.Alarm == "lethal-ceiling" && c.Subject == r.snap.Enclosures[2].ID {
			t.Errorf("command %+v", c)
		}
	}
	if len(got) != 23 { // two for each of eleven, and the silent probe
		t.Errorf("%d commands", len(got))
	}
	// One alone waits for its reset.
	if a := r.post("/act/over", map[string]string{"action": "reset", "form": form}); a.code != http.StatusOK || len(r.took()) != 24 || r.took()[23].Action != "reset" {
		t.Errorf("reset: %d, %+v", a.code, r.took()[23:])
	}
	for _, action := range []string{"shelve", "out-of-service", "", "x"} {
		if a := r.post("/act/over", map[string]string{"action": action, "form": form, "minutes": "15", "why": "y"}); a.code != http.StatusConflict {
			t.Errorf("%q: %d", action, a.code)
		}
	}
	r.reply = alert.Reply{Error: "that onset of the alarm is over"}
	if a := r.post("/act/over", map[string]string{"action": "acknowledge", "form": form}); a.code != http.StatusConflict || !strings.Contains(a.body, "Nothing was done") {
		t.Errorf("all refused: %d", a.code)
	}
}

// A night of lethal heat that ended does not look like a calm morning.
func TestHomeTellsWhatWaits(t *testing.T) {
	r := hotDay(t, 12)
	if a := r.get("/"); !strings.Contains(a.body, "24 alarms ended unconfirmed, 12 of them at the lethal limit.") {
		t.Error("home does not tell of 24 alarms that are over")
	}
	r.snap.Alarms = r.snap.Alarms[:2]
	if a := r.get("/"); strings.Contains(a.body, "ended unconfirmed") {
		t.Error("home tells of alarms that do not wait")
	}
}

// What is over tells when it ended, and who answered it; the onset that the
// rules remember may be a later one that did not last.
func TestOverTellsItsEnd(t *testing.T) {
	r := newRig(t, 12)
	a := rules.AlarmView{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "a-1-1"}, Since: r.snap.At, Priority: alarm.Today}, OverFor: 90 * time.Minute}
	for _, c := range []struct {
		state alarm.State
		by    string
		want  string
	}{
		{alarm.RTNUN, "", "over since 10:30, not yet acknowledged"},
		{alarm.LatchUnack, "", "over since 10:30, kept until you acknowledge and reset it"},
		{alarm.LatchAck, "Ada", "over since 10:30, acknowledged by Ada, kept until you reset it"},
		{alarm.Acked, "Ada", "acknowledged by Ada"},
	} {
		a.State, a.AckedBy, a.Active = c.state, c.by, c.state == alarm.Acked
		card := reader{time.UTC, unit.Celsius, r.snap}.alarmCard(&a)
		if card.State != c.want || (card.Since == "") != (c.state != alarm.Acked) {
			t.Errorf("%v: %q since %q, want %q", c.state, card.State, card.Since, c.want)
		}
	}
}

// The gravest stands first, whatever the names of the alarms; what need not
// wake anybody comes after it.
func TestAlarmsGravestFirst(t *testing.T) {
	r := newRig(t, 12)
	add := func(id alarm.ID, p alarm.Priority) {
		a := r.snap.Alarms[0]
		a.Key, a.State, a.Active, a.Priority = alarm.Key{Alarm: id, Subject: "b-1-1"}, alarm.Unack, true, p
		r.snap.Alarms = append(r.snap.Alarms, a)
	}
	r.snap.Alarms = r.snap.Alarms[:1]
	add(alarm.AboveBand, alarm.Wake)
	add(alarm.LethalAhead, alarm.Wake)
	add(alarm.Exposure, alarm.Today)
	r.snap.Alarms[0], r.snap.Alarms[1] = r.snap.Alarms[1], r.snap.Alarms[0] // as the rules sort: by name
	body := r.get("/alarms").body
	last := -1
	for _, want := range []string{": lethal limit reached", ": lethal limit ahead", ": too warm", ": hot for too long"} {
		at := strings.Index(body, want)
		if at <= last {
			t.Errorf("%q stands at %d, after %d", want, at, last)
		}
		last = at
	}
	if !strings.Contains(body, ":00:</small> A sentence about") {
		t.Error("the sentence of an open alarm is not marked as old")
	}
}
