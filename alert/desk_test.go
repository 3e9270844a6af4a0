package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

const unack, acked, rtnun, norm = alarm.Unack, alarm.Acked, alarm.RTNUN, alarm.Norm

// wholeRoom is 48 enclosures at the lethal limit within one poll, the hottest last.
func wholeRoom(r *rig, to alarm.State, cause alarm.Cause) []rules.Transition {
	var ts []rules.Transition
	for i := range 48 {
		c := cause
		if c.Kind == alarm.CauseEnclosure {
			c.ID = fmt.Sprintf("e%02d", i)
		}
		ts = append(ts, r.tr(change{alarm.LethalLimit, fmt.Sprintf("e%02d", i), to, alarm.Wake, c, 33 + float64(i)/100, 0}))
	}
	return ts
}

func TestDesk_wholeRoomIsOneNotice(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(wholeRoom(r, unack, room)...)
	const id = "lethal-ceiling/e00/1"
	r.want("mqtt", "raise "+id)
	m := r.got[0].Message
	if len(m.Subjects) != 48 || m.Subjects[0] != "e47" || m.Subjects[47] != "e00" {
		t.Errorf("subjects are not all 48, worst first: %v", m.Subjects)
	}
	if m.Cause != "room" || m.Priority != alarm.Wake || m.Title != "Room too hot: 48 enclosures at their lethal limit, worst e47 33.5 °C" {
		t.Errorf("cause %q priority %v title %q", m.Cause, m.Priority, m.Title)
	}
	r.ack(id, "una")
	r.pass(3 * time.Hour)
	r.transitions(wholeRoom(r, rtnun, room)...)
	r.pass(6 * time.Hour)
	r.want("mqtt", "raise "+id, "followup "+id)
}

// The same event met one enclosure at a time, each first taken for its own
// cause, within the grouping time.
func TestDesk_enclosuresMergeIntoRoom(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	ahead := func(i int, to alarm.State, c alarm.Cause) rules.Transition {
		return r.tr(change{alarm.LethalAhead, fmt.Sprintf("e%02d", i), to, alarm.Wake, c, 31, 60 - float64(i)})
	}
	for i := range 6 {
		r.transitions(ahead(i, unack, tank(fmt.Sprintf("e%02d", i))))
	}
	r.pass(10 * time.Second)
	for i := range 48 {
		r.transitions(ahead(i, unack, room))
	}
	r.pass(time.Minute)
	r.want("mqtt", "raise ceiling-ahead/e00/1")
	if m := r.got[0].Message; len(m.Subjects) != 48 || m.Subjects[0] != "e47" || m.Cause != "room" {
		t.Errorf("want 48 under room, worst first, got %q %v", m.Cause, m.Subjects)
	}
	for i := range 48 {
		r.transitions(ahead(i, norm, room))
		r.pass(10 * time.Second)
	}
	r.pass(time.Hour)
	followups := 0
	for _, d := range r.got {
		if d.NoticeID != "ceiling-ahead/e00/1" {
			t.Errorf("another notice: %s", d.NoticeID)
		}
		if d.Kind == FollowUp {
			followups++
		}
	}
	if followups != 1 {
		t.Errorf("%d follow-ups, want 1", followups)
	}
	if len(r.desk.book.byID) != 0 || len(r.docs) != 0 {
		t.Errorf("%d incidents and %d documents left behind", len(r.desk.book.byID), len(r.docs))
	}
}

// Notices already told that turn out to have one cause go on as one; the
// absorbed ones are named, fall silent and have no follow-up of their own.
func TestDesk_toldNoticesMerge(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	for _, e := range []string{"a", "b", "c"} {
		r.transitions(r.tr(change{alarm.LethalLimit, e, unack, alarm.Wake, tank(e), 33.2, 0}))
	}
	r.pass(time.Minute)
	if n := len(r.got); n != 3 {
		t.Fatalf("%d sendings before the merge, want 3: %v", n, r.told("mqtt"))
	}
	for _, e := range []string{"b", "a", "c"} {
		r.transitions(r.tr(change{alarm.LethalLimit, e, unack, alarm.Wake, room, 33.3, 0}))
	}
	open := r.desk.Open()
	if len(open) != 1 || open[0].Notice.ID != "lethal-ceiling/b/1" ||
		!slices.Equal(open[0].Notice.Supersedes, []string{"lethal-ceiling/a/1", "lethal-ceiling/c/1"}) {
		t.Fatalf("open after the merge: %+v", open)
	}
	r.ack("lethal-ceiling/a/1", "una") // an answer to an absorbed notice counts for what that told
	covered := func() (ids []string) {
		for _, m := range r.desk.Open()[0].Notice.Members {
			if m.Covered {
				ids = append(ids, m.Key.Subject)
			}
		}
		return ids
	}
	if got := covered(); !slices.Equal(got, []string{"a"}) {
		t.Errorf("the answer to an absorbed notice covers %v", got)
	}
	r.ack("lethal-ceiling/c/1", "una")
	r.ack("lethal-ceiling/b/1", "una")
	if !r.desk.Open()[0].Acknowledged {
		t.Errorf("all are answered; covered are %v", covered())
	}
	for _, e := range []string{"a", "b", "c"} {
		r.transitions(r.tr(change{alarm.LethalLimit, e, norm, alarm.Wake, room, 31, 0}))
	}
	r.pass(time.Hour)
	if got := r.told("mqtt"); !slices.Equal(got[3:], []string{"followup lethal-ceiling/b/1"}) {
		t.Errorf("after the merge: %q", got[3:])
	}
}

// What stays behind when the urgent part joins the room's notice is as urgent
// as it is by itself, on disk as well.
func TestDesk_lessUrgentIsLeft(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(
		r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, room, 34, 0}),
		r.tr(change{alarm.LethalAhead, "e2", unack, alarm.Wake, tank("e2"), 31, 40}),
		r.tr(change{alarm.AboveBand, "e2", unack, alarm.Today, tank("e2"), 31, 0}))
	r.transitions(r.tr(change{alarm.LethalAhead, "e2", unack, alarm.Wake, room, 31, 40}))
	in := r.desk.book.byKey[alarm.Key{Alarm: alarm.AboveBand, Subject: "e2"}]
	var kept incident
	if err := json.Unmarshal(r.docs[docKey(in.Notice.ID)], &kept); err != nil {
		t.Fatal(err)
	}
	if in.Notice.Priority != alarm.Today || kept.Notice.Priority != alarm.Today {
		t.Errorf("too warm alone is %v, on disk %v", in.Notice.Priority, kept.Notice.Priority)
	}
}

func TestDesk_lethalDoesNotWaitForCompany(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	e := r.desk.Transitions(r.now, []rules.Transition{
		r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}),
		r.tr(change{alarm.AboveBand, "e2", unack, alarm.Today, tank("e2"), 28, 0}),
	})
	if len(e.Send) != 1 || e.Send[0].NoticeID != "lethal-ceiling/e1/1" || !e.Send[0].Lethal {
		t.Errorf("in the same step: %+v", e.Send)
	}
	r.absorb(e)
	r.send()
	r.pass(30 * time.Second)
	r.want("mqtt", "raise lethal-ceiling/e1/1", "raise above-band/e2/1")
}

func TestDesk_repeatsUntilAcknowledged(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.pass(2 * time.Hour)
	// 5, 10, 20, 30, 30 min: at 5, 15, 35, 65 and 95 minutes.
	if n := len(r.got); n != 6 {
		t.Errorf("%d sendings in two hours, want 6", n)
	}
	for i, d := range r.got {
		if d.NoticeID != "lethal-ceiling/e1/1" || d.Version != 1 || d.Message.Sent != i+1 {
			t.Errorf("sending %d: id %s version %d sent %d", i, d.NoticeID, d.Version, d.Message.Sent)
		}
	}
	r.ack("lethal-ceiling/e1/1", "una")
	r.pass(24 * time.Hour)
	if n := len(r.got); n != 6 {
		t.Errorf("%d sendings after the acknowledgement", n-6)
	}
}

// What nobody answers is sent again for as long as it lasts, after days only now and
// then.
func TestDesk_repeatsNeverEnd(t *testing.T) {
	r := newRig(t, Options{Room: "attic", RepeatFor: 3 * time.Hour})
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.pass(4 * time.Hour)
	n := len(r.got)
	r.pass(48 * time.Hour)
	if len(r.got)-n != 8 {
		t.Errorf("%d repeats in two days, want one every six hours", len(r.got)-n)
	}
	if s := r.desk.Stats(r.now); s.OpenWake != 1 {
		t.Errorf("the notice is no longer open: %+v", s)
	}
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", norm, alarm.Wake, tank("e1"), 30, 0}))
	r.pass(time.Minute)
	if d := r.got[len(r.got)-1]; d.Kind != FollowUp {
		t.Errorf("last sending is %v, want the follow-up", d.Kind)
	}
}

func TestDesk_escalation(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 31.5, 40}))
	r.pass(9 * time.Minute)
	r.want("gateway")
	if m, p := r.told("mail"), r.told("mqtt"); len(m) != len(p) || len(m) != 2 {
		t.Errorf("the first person's channels carried %q and %q", m, p)
	}
	r.pass(2 * time.Minute)
	r.want("gateway", "raise lethal-ceiling/e1/1")
	m := r.got[len(r.got)-1].Message
	if !m.Escalated || !strings.Contains(m.Text, "88.7 °F") || !strings.Contains(m.Text, "Nobody before you") {
		t.Errorf("escalated message: %+v", m)
	}
	r.ack("lethal-ceiling/e1/1", "odo")
	before := len(r.got)
	r.pass(5 * time.Hour)
	if len(r.got) != before {
		t.Errorf("%d sendings after the answer", len(r.got)-before)
	}
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", norm, alarm.Wake, tank("e1"), 28, 0}))
	r.pass(time.Minute)
	for _, ch := range []string{"mqtt", "mail", "gateway"} {
		if got := r.told(ch); got[len(got)-1] != "followup lethal-ceiling/e1/1" {
			t.Errorf("%s did not hear of the end: %q", ch, got)
		}
	}
}

func TestDesk_acknowledgedByAlarm(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31.5, 40}))
	r.pass(time.Minute)
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", acked, alarm.Wake, tank("e1"), 31.5, 40}))
	n := len(r.got)
	r.pass(25 * time.Minute)
	if len(r.got) != n {
		t.Errorf("%d sendings after the alarm was acknowledged", len(r.got)-n)
	}
	// The rules ring an acknowledged alarm again after their re-alarm time.
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31.6, 40}))
	r.pass(30 * time.Second)
	if len(r.got) != n+2 || r.got[n].Kind != Update {
		t.Errorf("re-alarm sent %d, want one on each of two channels", len(r.got)-n)
	}
	r.pass(11 * time.Minute)
	r.want("gateway", "update ceiling-ahead/e1/1")
}

func TestDesk_worseningPassesAtOnce(t *testing.T) {
	tests := []struct {
		name string
		next change
		want bool
	}{
		{"a little nearer", change{alarm.LethalAhead, "e1", acked, alarm.Wake, tank("e1"), 32, 21}, false},
		{"nearer than half", change{alarm.LethalAhead, "e1", acked, alarm.Wake, tank("e1"), 32, 19}, true},
		{"ceiling reached", change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}, true},
		{"less urgent company", change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t, Options{Room: "attic"})
			r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31.5, 40}))
			r.pass(30 * time.Second)
			r.ack("ceiling-ahead/e1/1", "una")
			r.transitions(r.tr(tt.next))
			if got := len(r.got) == 2; got != tt.want {
				t.Errorf("passed at once: %v, want %v (%q)", got, tt.want, r.told("mqtt"))
			}
			for _, d := range r.got {
				if d.NoticeID != "ceiling-ahead/e1/1" {
					t.Errorf("another id: %s", d.NoticeID)
				}
			}
		})
	}
}

func TestDesk_growthIsRateLimited(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	for i := range 60 { // one more enclosure each minute, acknowledged before it was told
		id := fmt.Sprintf("e%02d", i)
		r.transitions(r.tr(change{alarm.LethalAhead, id, unack, alarm.Wake, room, 31, 50}))
		r.transitions(r.tr(change{alarm.LethalAhead, id, acked, alarm.Wake, room, 31, 50}))
		r.pass(time.Minute)
	}
	// After 15 minutes, then after 30 more.
	r.want("mqtt", "raise ceiling-ahead/e00/1", "update ceiling-ahead/e00/1", "update ceiling-ahead/e00/1")
}

func TestDesk_todayIsToldOnce(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}))
	r.pass(24 * time.Hour)
	r.want("mqtt", "raise above-band/e1/1")
	r.want("mail")
	r.want("gateway")
	r.transitions(r.tr(change{alarm.AboveBand, "e1", norm, alarm.Today, tank("e1"), 26, 0}))
	r.pass(time.Hour)
	r.want("mqtt", "raise above-band/e1/1", "followup above-band/e1/1")
	r.want("mail")
}

func TestDesk_todayFallsBack(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mqtt"], r.broken["mail"] = errAway, Permanent(errors.New("550 no such mailbox"))
	r.transitions(r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}))
	r.pass(20 * time.Minute)
	r.want("gateway", "raise above-band/e1/1")
	r.broken = map[string]error{}
	r.pass(time.Hour)
	r.want("mqtt")
	r.want("mail")
}

func TestDesk_noteIsNotTold(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.DryDown, "e1", unack, alarm.Note, tank("e1"), 29, 0}))
	r.pass(24 * time.Hour)
	if len(r.got) != 0 || len(r.docs) != 0 {
		t.Errorf("a note was told: %v", r.got)
	}
}

func TestDesk_quietHours(t *testing.T) {
	quiet := twoPeople()
	quiet.People[0].Quiet = &configs.ClockSpan{From: 22 * 60, To: 7 * 60}
	r := newRig(t, quiet)
	r.pass(11 * time.Hour) // 23:00
	r.transitions(
		r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}),
		r.tr(change{alarm.HumidityFloor, "e2", unack, alarm.Wake, tank("e2"), 50, 0}))
	r.pass(time.Minute)
	r.want("mqtt", "raise humidity-floor/e2/1")
	r.ack("humidity-floor/e2/1", "una")
	r.pass(7*time.Hour + 58*time.Minute) // 06:59
	r.want("mqtt", "raise humidity-floor/e2/1")
	if s := r.desk.StalledChannels(r.now); len(s) != 0 {
		t.Errorf("held notices count as stalled: %v", s)
	}
	r.pass(2 * time.Minute)
	r.want("mqtt", "raise humidity-floor/e2/1", "raise above-band/e1/1")
	r.want("gateway")
}

// A clock that was never set, or that stands still, holds nothing.
func TestDesk_quietHoursNeedAClock(t *testing.T) {
	quiet := Options{Room: "attic", People: []configs.Person{{ID: "una", Quiet: &configs.ClockSpan{From: 0, To: 24 * 60}}}}
	r := newRig(t, quiet)
	r.now.Synced = false
	r.transitions(r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}))
	r.pass(time.Minute)
	r.want("mqtt", "raise above-band/e1/1")
	r.now.Synced = true
	r.transitions(r.tr(change{alarm.AboveBand, "e2", unack, alarm.Today, tank("e2"), 29, 0}))
	r.pass(23 * time.Hour)
	r.want("mqtt", "raise above-band/e1/1")
	r.pass(2 * time.Hour)
	r.want("mqtt", "raise above-band/e1/1", "raise above-band/e2/1")
}

func TestDesk_acknowledgeUnknown(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	if _, _, err := r.desk.Acknowledge(r.now, "no/such/1", 0, "una"); !errors.Is(err, ErrUnknownNotice) {
		t.Errorf("error %v, want ErrUnknownNotice", err)
	}
}

func TestDesk_reconfigure(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mqtt"], r.broken["mail"] = errAway, errAway
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.opt = Options{Room: "attic", People: []configs.Person{{ID: "odo", Channels: []string{"gateway"}}}}
	r.absorb(r.desk.Reconfigure(r.now, r.opt))
	r.send()
	r.want("gateway", "raise lethal-ceiling/e1/1")
}

func TestDesk_reconcile(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(
		r.tr(change{alarm.LethalLimit, "gone", unack, alarm.Wake, tank("gone"), 33, 0}),
		r.tr(change{alarm.LethalLimit, "same", unack, alarm.Wake, tank("same"), 33, 0}))
	view := func(subject string) rules.AlarmView {
		return rules.AlarmView{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: subject}, Seq: 1, Priority: alarm.Wake, Cause: tank(subject), Value: 33.1, HasValue: true, Unit: "°C", Since: r.now}, State: unack}
	}
	r.absorb(r.desk.Reconcile(r.now, []rules.AlarmView{view("same"), view("new")}))
	r.send()
	r.pass(time.Minute)
	r.want("mqtt", "raise lethal-ceiling/gone/1", "raise lethal-ceiling/same/1",
		"raise lethal-ceiling/new/1", "followup lethal-ceiling/gone/1")
}

func TestDesk_restoreReportsBadDocuments(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	docs := append(r.desk.Docs(), docOf("notice/x", []byte("{not json")), docOf("notice/y", []byte(`{"notice":{"id":"z"}}`)), docOf("weather", []byte("1")))
	d := NewDesk(r.opt)
	_, err := d.Restore(r.now, docs)
	if err == nil || !strings.Contains(err.Error(), "notice/x") || !strings.Contains(err.Error(), "notice/y") || strings.Contains(err.Error(), "weather") {
		t.Errorf("error: %v", err)
	}
	if len(d.Open()) != 1 {
		t.Errorf("%d notices open, want the good one", len(d.Open()))
	}
}

func TestDesk_drill(t *testing.T) {
	r := newRig(t, twoPeople())
	r.broken["mail"] = errAway
	id, e, err := r.desk.NewDrill(r.now, "una")
	if err != nil {
		t.Fatal(err)
	}
	r.absorb(e)
	r.send()
	r.pass(20 * time.Second)
	delete(r.broken, "mail")
	r.pass(20 * time.Second)
	r.restart()
	r.pass(20 * time.Second)
	if _, e, err = r.desk.Acknowledge(r.now, id, 0, "una"); err != nil {
		t.Fatal(err)
	}
	r.absorb(e)
	res, ok := r.desk.LastDrill()
	if !ok || !res.Done || !res.Acked || res.AckedIn != 60 || res.Taken["mqtt"] != 0 || res.Taken["mail"] < 20 || res.Taken["mail"] > 60 {
		t.Errorf("result %+v", res)
	}
	if m := r.got[0].Message; m.Kind != Test || m.Priority != alarm.Wake || !strings.Contains(m.Text, "Nothing is wrong") {
		t.Errorf("message %+v", m)
	}
	r.restart()
	if again, ok := r.desk.LastDrill(); !ok || again.ID != id || !again.Acked {
		t.Errorf("after a restart: %+v", again)
	}
	if _, _, err := r.desk.NewDrill(r.now, "nobody"); !errors.Is(err, ErrUnknownPerson) {
		t.Errorf("drill for nobody: %v", err)
	}
}

func TestDesk_drillUnanswered(t *testing.T) {
	r := newRig(t, twoPeople())
	_, e, _ := r.desk.NewDrill(r.now, "")
	r.absorb(e)
	r.pass(2 * time.Hour)
	res, _ := r.desk.LastDrill()
	if !res.Done || res.Acked {
		t.Errorf("result %+v", res)
	}
	r.want("gateway")
	if n := len(r.told("mqtt")); n < 2 || n > 5 {
		t.Errorf("the drill was sent %d times", n)
	}
	if len(r.docs) != 1 {
		t.Errorf("documents left: %d, want the result alone", len(r.docs))
	}
}

// A value that drifts is told when it is time to, but costs no write.
func TestDesk_driftIsNotWritten(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31, 50}))
	r.pass(time.Minute)
	e := r.desk.Transitions(r.now, []rules.Transition{r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31.4, 45})})
	if len(e.Docs) != 0 {
		t.Errorf("a drifting value was written: %s", e.Docs[0].Value)
	}
	r.pass(10 * time.Minute)
	if m := r.got[len(r.got)-1].Message; !strings.Contains(m.Text, "45–75 min") {
		t.Errorf("the repeat tells an old value: %s", m.Text)
	}
}

// Lethal, then only near it, then lethal again within the rate limit: the
// second crossing is as urgent as the first.
func TestDesk_lethalAgain(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 32, 40}))
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.ack("ceiling-ahead/e1/1", "una")
	r.pass(2 * time.Minute)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", norm, alarm.Wake, tank("e1"), 31, 0}))
	r.pass(2 * time.Minute)
	n := len(r.got)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	if len(r.got) != n+1 {
		t.Errorf("the second crossing was not sent at once: %q", r.told("mqtt"))
	}
}

// Another enclosure of the same cause at its lethal limit, after the first was
// acknowledged, does not wait as other growth does.
func TestDesk_anotherEnclosureAtTheLethalLimit(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, room, 33, 0}))
	r.ack("lethal-ceiling/e1/1", "una")
	r.pass(time.Minute)
	r.transitions(r.tr(change{alarm.LethalLimit, "e2", unack, alarm.Wake, room, 33, 0}))
	r.want("mqtt", "raise lethal-ceiling/e1/1", "update lethal-ceiling/e1/1")
	r.pass(3 * time.Minute)
	r.want("mqtt", "raise lethal-ceiling/e1/1", "update lethal-ceiling/e1/1")
}

// Between transitions, what the rules see now reaches repeats, and a lethal limit
// much nearer than said passes at once.
func TestDesk_refresh(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	r.transitions(r.tr(change{alarm.LethalAhead, "e1", unack, alarm.Wake, tank("e1"), 31, 50}))
	r.pass(time.Minute)
	see := func(minutes float64) {
		rate := rules.Tenth(2)
		e := r.desk.Refresh(r.now, []rules.AlarmView{{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}, Seq: 1, Priority: alarm.Wake, Value: 32, HasValue: true, Unit: "°C"}, State: unack}},
			[]rules.EnclosureView{{EnclosureHome: rules.EnclosureHome{ID: "e1"}, EnclosureOutlook: rules.EnclosureOutlook{RatePerHour: &rate, ToLethal: &alarm.Range{FromMinutes: minutes, ToMinutes: 2 * minutes}}}})
		if len(e.Docs) != len(e.Send) {
			t.Errorf("%d documents written for %d sendings", len(e.Docs), len(e.Send))
		}
		r.absorb(e)
		r.send()
	}
	see(30)
	r.want("mqtt", "raise ceiling-ahead/e1/1")
	see(24)
	r.want("mqtt", "raise ceiling-ahead/e1/1", "update ceiling-ahead/e1/1")
	if m := r.got[1].Message; !strings.Contains(m.Text, "25–50 min") || !strings.Contains(m.Text, "rising 2.0 °C/h") {
		t.Errorf("text: %s", m.Text)
	}
}

// A wait for the next person that is longer than the repeats last does not end
// with them.
func TestDesk_escalatesAfterTheRepeats(t *testing.T) {
	o := twoPeople()
	o.People[0].EscalateAfter, o.RepeatFor = configs.Duration(3*time.Hour), time.Hour
	r := newRig(t, o)
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, tank("e1"), 33, 0}))
	r.pass(2 * time.Hour)
	n := len(r.got)
	r.pass(time.Hour - time.Minute)
	if len(r.got) != n {
		t.Fatalf("repeated after the end: %q", r.told("mqtt")[n:])
	}
	r.want("gateway")
	r.pass(2 * time.Minute)
	r.want("gateway", "raise lethal-ceiling/e1/1")
	r.pass(3 * time.Hour)
	if got := len(r.told("gateway")); got < 3 || got > 8 {
		t.Errorf("the next person was told %d times", got)
	}
}

// What ended with the whole room and comes back alone is a story of its own:
// others that come back by themselves do not join it, and neither tells of the
// room's heat again.
func TestDesk_strangersComeBackApart(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	ring := func(id string, cause alarm.Cause, value float64) rules.Transition {
		return r.tr(change{alarm.AboveBand, id, unack, alarm.Today, cause, value, 0})
	}
	over := func(id string) rules.Transition {
		return r.tr(change{alarm.AboveBand, id, rtnun, alarm.Today, room, 32, 0})
	}
	r.transitions(ring("e1", room, 39), ring("e2", room, 38), ring("e3", room, 38))
	r.pass(5 * time.Minute)
	r.transitions(over("e1"), over("e2"), over("e3"))
	r.pass(2 * time.Hour)
	r.want("mqtt", "raise above-band/e1/1", "followup above-band/e1/1")
	r.transitions(ring("e2", tank("e2"), 34))
	r.pass(5 * time.Minute)
	r.transitions(ring("e3", tank("e3"), 34))
	r.pass(5 * time.Minute)
	r.want("mqtt", "raise above-band/e1/1", "followup above-band/e1/1", "raise above-band/e2/1", "raise above-band/e3/1")
	r.transitions(over("e2"))
	r.pass(5 * time.Minute)
	last := r.got[len(r.got)-1].Message
	if last.Kind != FollowUp || !slices.Equal(last.Subjects, []string{"e2"}) || strings.Contains(last.Text, "39") || strings.Contains(last.Text, "h. ") {
		t.Errorf("%s of %v: %s", last.Kind, last.Subjects, last.Text)
	}
	// Alone again under its own id: the worst of before is not told again.
	r.transitions(ring("e2", tank("e2"), 33.5))
	r.pass(5 * time.Minute)
	r.transitions(over("e2"))
	r.pass(5 * time.Minute)
	last = r.got[len(r.got)-1].Message
	if last.ID != "above-band/e2/1" || last.Kind != FollowUp || !strings.Contains(last.Text, "33.5") || last.Since.Before(t0.Add(2*time.Hour)) {
		t.Errorf("%s since %v: %s", last.Kind, last.Since, last.Text)
	}
}

// The worst of a night is told with the limit of the night, though it ended
// under that of the day, and is not pulled down by it.
func TestDesk_peakKeepsItsLimit(t *testing.T) {
	r := newRig(t, Options{Room: "attic"})
	step := func(to alarm.State, value, limit float64) {
		c := r.tr(change{alarm.AboveBand, "e1", to, alarm.Today, tank("e1"), value, 0})
		c.Limit, c.Peak.Limit = limit, limit
		r.transitions(c)
		r.pass(5 * time.Minute)
	}
	step(unack, 22.1, 21)
	r.desk.Refresh(r.now, []rules.AlarmView{{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}, Seq: 1, Priority: alarm.Today, Value: 22.4, HasValue: true, Limit: 26, HasLimit: true, Unit: "°C"}, State: unack}}, nil)
	step(norm, 21.3, 26)
	if last := r.got[len(r.got)-1].Message; !strings.Contains(last.Text, "Worst 22.1 °C (limit 21.0 °C)") {
		t.Errorf("%s", last.Text)
	}
	// Too little is furthest at its least.
	dry := func(to alarm.State, value float64) {
		c := r.tr(change{alarm.HumidityFloor, "e1", to, alarm.Today, tank("e1"), value, 0})
		c.Limit, c.Peak.Limit, c.Unit = 70, 70, "%"
		r.transitions(c)
		r.pass(5 * time.Minute)
	}
	dry(unack, 70)
	dry(unack, 66)
	dry(norm, 74)
	if last := r.got[len(r.got)-1].Message; !strings.Contains(last.Text, "Worst 66.0 % (limit 70.0 %)") {
		t.Errorf("%s", last.Text)
	}
}

// Of several alarms what is active and most urgent is told first, then what means more,
// then what reaches the lethal limit sooner, then what is further past its limit.
func TestMember_WorstFirst(t *testing.T) {
	m := func(a alarm.ID, p alarm.Priority, value, minutes float64) Member {
		x := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: a, Subject: "b"}, Priority: p, HasValue: true, Value: value, HasLimit: true, Limit: 10, Unit: "°C"}, State: alarm.Unack}
		if minutes > 0 {
			x.Detail.TimeToLethal = &alarm.Range{FromMinutes: minutes}
		}
		return x
	}
	over := m(alarm.LethalLimit, alarm.Wake, 50, 0)
	over.State = alarm.Norm
	unknown := m(alarm.AboveBand, alarm.Wake, 30, 0)
	unknown.HasValue = false
	first := m(alarm.AboveBand, alarm.Wake, 12, 0)
	first.Key.Subject = "a"
	other := m(alarm.AboveBand, alarm.Wake, 30, 0)
	other.Unit, other.Key.Subject = "%", "c"
	for name, c := range map[string][2]Member{
		"lethal before any wake":          {m(alarm.LethalLimit, alarm.Wake, 11, 0), m(alarm.AboveBand, alarm.Wake, 50, 5)},
		"wake before today":               {m(alarm.AboveBand, alarm.Wake, 11, 0), m(alarm.AboveBand, alarm.Today, 50, 0)},
		"active before what is over":      {m(alarm.AboveBand, alarm.Today, 11, 0), over},
		"a note is no more than over":     {m(alarm.AboveBand, alarm.Today, 11, 0), m(alarm.LethalLimit, alarm.Note, 50, 0)},
		"sooner before later":             {m(alarm.AboveBand, alarm.Wake, 11, 5), m(alarm.AboveBand, alarm.Wake, 50, 6)},
		"known before not known":          {m(alarm.AboveBand, alarm.Wake, 11, 5), m(alarm.AboveBand, alarm.Wake, 50, 0)},
		"further past its limit":          {m(alarm.AboveBand, alarm.Wake, 13, 0), m(alarm.AboveBand, alarm.Wake, 12, 0)},
		"below as well as above":          {m(alarm.BelowBand, alarm.Wake, 7, 0), m(alarm.BelowBand, alarm.Wake, 8, 0)},
		"too cold before on its way back": {m(alarm.BelowBand, alarm.Wake, 9, 0), m(alarm.BelowBand, alarm.Wake, 14, 0)},
		"too hot before on its way back":  {m(alarm.LethalLimit, alarm.Wake, 10, 0), m(alarm.LethalLimit, alarm.Wake, 5, 0)},
		"too hot before soon again":       {m(alarm.LethalLimit, alarm.Wake, 10, 0), m(alarm.LethalLimit, alarm.Wake, 9, 5)},
		"a value before none":             {m(alarm.AboveBand, alarm.Wake, 11, 0), unknown},
		"else by name":                    {first, m(alarm.AboveBand, alarm.Wake, 12, 0)},
		"what is measured otherwise, too": {first, other},
	} {
		if worstFirst(c[0], c[1]) >= 0 || worstFirst(c[1], c[0]) <= 0 {
			t.Errorf("%s: %d and %d", name, worstFirst(c[0], c[1]), worstFirst(c[1], c[0]))
		}
	}
}

// A wake alarm that worsens is told at once: where the time to the lethal limit fell
// under half of what was said, if that was a quarter of an hour or more.
func TestSchedule_UrgentAtItsLimits(t *testing.T) {
	for _, c := range []struct {
		name         string
		said, now    float64 // minutes
		rank         int     // of what was said
		saidAgo      time.Duration
		fresh, wants bool
	}{
		{"half", 30, 15, wakeRank, 0, false, false},
		{"less than half", 30, 14.9, wakeRank, 0, false, true},
		{"of 15 min", 15, 7, wakeRank, 0, false, true},
		{"of less", 14.9, 7, wakeRank, 0, false, false},
		{"not known now", 30, 0, wakeRank, 0, false, false},
		{"more urgent than said", 30, 30, wakeRank - 1, 0, false, true},
		{"another one, which waits for company", 30, 30, wakeRank, 20*time.Second - 1, true, false},
		{"and has", 30, 30, wakeRank, 20 * time.Second, true, true},
	} {
		now := sensors.Instant{Mono: time.Hour, Wall: t0}
		s := &schedule{call: &call{opt: twoPeople().withDefaults(), now: now}}
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "a"}, Priority: alarm.Wake}, State: alarm.Unack}
		if c.now > 0 {
			m.Detail.TimeToLethal = &alarm.Range{FromMinutes: c.now}
		}
		m.Told, m.Named = !c.fresh, nil
		in := &incident{Notice: Notice{Members: []Member{m}}, Said: &said{At: now.Mono, Rank: c.rank, Minutes: c.said}, FreshAt: now.Mono - c.saidAgo}
		if got := s.urgent(in); got != c.wants {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// What comes under another notice goes on with its repeats, the sooner of both.
func TestIncident_Inherit(t *testing.T) {
	quiet, rings := incident{NextRepeat: 5, Level: 1}, incident{Ringing: 3, Repeated: 2, NextRepeat: 9, Level: 2, LevelAt: 4, Answerer: "una"}
	a, b, c := quiet, rings, quiet
	a.inherit(&rings)
	if a.Ringing != 3 || a.Level != 2 || a.NextRepeat != 9 || a.LevelAt != 4 || a.Repeated != 2 || a.Answerer != "una" {
		t.Errorf("one that was quiet: %+v", a)
	}
	if b.inherit(&quiet); b.NextRepeat != 9 || b.Level != 2 {
		t.Errorf("from a quiet one: %+v", b)
	}
	sooner := incident{Ringing: 7, NextRepeat: 8, Level: 0}
	if b.inherit(&sooner); b.NextRepeat != 8 || b.Level != 2 || b.Ringing != 3 {
		t.Errorf("both ring: %+v", b)
	}
	if c.inherit(&quiet); c.Level != 1 {
		t.Errorf("%+v", c)
	}
	before, after := incident{Ringing: 1, Level: 2, LevelAt: 3}, incident{Ringing: 1, Level: 2, LevelAt: 9}
	if b.inherit(&after); b.LevelAt != 4 {
		t.Errorf("from one whose turn came later: %+v", b)
	}
	if b.inherit(&before); b.LevelAt != 3 {
		t.Errorf("the next person's turn is put off: %+v", b)
	}
}

// A notice's time to the lethal limit is the shortest of what is active, and never none.
func TestIncident_Minutes(t *testing.T) {
	in := incident{}
	for i, minutes := range []float64{40, 25, 30, 0} {
		in.Notice.Members = append(in.Notice.Members, Member{State: alarm.Unack, Onset: alarm.Onset{Priority: alarm.Wake, Detail: alarm.Detail{DetailHeat: alarm.DetailHeat{TimeToLethal: &alarm.Range{FromMinutes: minutes}}}}})
		if want := []float64{40, 25, 25, 0.1}[i]; in.minutes() != want {
			t.Errorf("%d: %v min, want %v", i, in.minutes(), want)
		}
	}
	in.Notice.Members[3].State = alarm.Norm
	if in.minutes() != 25 {
		t.Errorf("what is over counts: %v", in.minutes())
	}
}

// The whole state can be written anew, the last drill with it.
func TestDesk_DocsHoldAll(t *testing.T) {
	r := newRig(t, twoPeople())
	if docs := r.desk.Docs(); len(docs) != 0 {
		t.Errorf("of nothing: %v", docs)
	}
	r.transitions(r.tr(change{alarm.LethalLimit, "a", alarm.Unack, alarm.Wake, tank("a"), 34, 0}))
	_, e, _ := r.desk.NewDrill(r.now, "una")
	r.absorb(e)
	r.docs = map[string]json.RawMessage{}
	for _, d := range r.desk.Docs() {
		r.docs[d.Key] = d.Value
	}
	if len(r.docs) != 3 {
		t.Errorf("%d documents", len(r.docs))
	}
	r.restart()
	if _, ok := r.desk.LastDrill(); !ok || len(r.desk.book.list()) != 2 {
		t.Errorf("%d notices come back", len(r.desk.book.list()))
	}
}

// A member keeps the furthest of all rises that its notice tells of, by the limits of
// their hours; what says nothing of it takes nothing away.
func TestMember_Measure(t *testing.T) {
	for _, c := range []struct {
		kind  alarm.ID
		value float64 // against 25
		peak  float64
	}{
		{alarm.AboveBand, 27, 27}, {alarm.AboveBand, 26, 28}, {alarm.AboveBand, 26.1, 28}, {alarm.BelowBand, 20, 20}, {alarm.BelowBand, 30, 28},
	} {
		m := Member{Onset: alarm.Onset{Key: alarm.Key{Alarm: c.kind}, HasValue: true, Peak: &alarm.Peak{Value: 28, Limit: 26.5}}} // 1.5 past it
		if m.measure(&alarm.Onset{Value: 24, Peak: &alarm.Peak{Value: c.value, Limit: 25}}); m.Peak.Value != c.peak || m.Value != 24 {
			t.Errorf("%s at %v: peak %v", c.kind, c.value, m.Peak)
		}
		if m.measure(&alarm.Onset{Value: c.value}); m.Peak.Value != c.peak {
			t.Errorf("%s: %v", c.kind, m.Peak)
		}
	}
	for _, p := range []alarm.Priority{alarm.Note, alarm.Today} {
		x := Member{State: alarm.Unack, Onset: alarm.Onset{Priority: p}}
		if counts(&x) != (p > alarm.Note) || rings(&rules.Transition{To: alarm.Acked, Onset: alarm.Onset{Priority: p}}) != (p > alarm.Note) {
			t.Errorf("%v tells", p)
		}
	}
}

// Of what is told once, heat comes before a nozzle that missed its mist hours ago: on
// the page, and where a person has had as much as they are sent in a minute.
func TestDesk_heatBeforeANozzle(t *testing.T) {
	r := newRig(t, Options{Room: "attic", PerMinute: 1})
	raise := func(a alarm.ID, subject string) {
		r.transitions(r.tr(change{a, subject, unack, alarm.Today, tank(subject), 1, 0}))
		r.pass(15 * time.Second)
	}
	raise(alarm.DoorAjar, "cork")
	raise(alarm.MistMissing, "fern")
	raise(alarm.AboveBand, "moss")
	r.pass(time.Minute)
	if len(r.got) != 2 || r.got[1].Message.Subjects[0] != "moss" {
		t.Errorf("heat waits behind the nozzle: %+v", r.got)
	}
	if open := r.desk.Open(); len(open) != 3 || open[0].Message.Subjects[0] != "moss" {
		t.Errorf("%s stands above heat", open[0].Message.Title)
	}
}

// A channel that takes other notices and not this one is no dead channel: the notice
// goes the next way after a quarter of an hour.
func TestDesk_todayWaitsForItsChannel(t *testing.T) {
	r := newRig(t, twoPeople())
	r.refuses = func(d Delivery) error {
		if d.Channel == "mqtt" && strings.HasPrefix(d.NoticeID, "above-band/e1/") {
			return errAway
		}
		return nil
	}
	r.transitions(r.tr(change{alarm.AboveBand, "e1", unack, alarm.Today, tank("e1"), 29, 0}))
	for i := range 14 {
		to := []alarm.State{unack, norm}[i%2]
		r.transitions(r.tr(change{alarm.DuplicateRoom, rules.Self, to, alarm.Today, alarm.Cause{Kind: alarm.CauseDewline}, 0, 0}))
		r.pass(time.Minute)
	}
	r.pass(70 * time.Second) // it was due after 20 s
	r.want("mail")
	r.pass(20 * time.Second)
	r.want("mail", "raise above-band/e1/1")
}
