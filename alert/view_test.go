package alert

import (
	"errors"
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
)

// What a keeper reads of the desk: what is open, what of it calls, what waits and since
// when, who was told, and how the last drill went.
func TestDesk_Telling(t *testing.T) {
	r := newRig(t, twoPeople())
	check := func(when string, open, calls, depth int, oldest time.Duration) {
		t.Helper()
		s := r.desk.Telling(r.now).Delivery
		if s.Open != open || s.OpenWake != calls || s.Depth != depth || s.OldestAge.D() != oldest {
			t.Errorf("%s: %d open, %d call, %d wait for %v; want %d, %d, %d, %v", when, s.Open, s.OpenWake, s.Depth, s.OldestAge, open, calls, depth, oldest)
		}
	}
	check("at first", 0, 0, 0, 0)
	r.broken["mqtt"], r.broken["mail"] = errAway, errAway
	r.onset(alarm.AboveBand, "e2", tank("e2"))
	r.now = r.now.Add(time.Second)
	r.onset(alarm.LethalLimit, "e1", tank("e1")) // at once, to both channels of una
	r.now = r.now.Add(3 * time.Second)
	check("while no channel works", 2, 1, 2, 3*time.Second)
	delete(r.broken, "mqtt")
	delete(r.broken, "mail")
	r.pass(time.Minute)
	check("all taken", 2, 1, 0, 0)
	open := r.desk.Open()
	if len(open) != 2 || open[0].Notice.Priority != alarm.Wake || open[0].Acknowledged || !slices.Equal(open[0].Told, []string{"una"}) ||
		open[0].NextRepeat <= r.now.Mono || open[1].NextRepeat != 0 {
		t.Errorf("open are %+v", open)
	}
	if by := r.desk.AnsweredBy(open[0].Notice.ID); by != "" {
		t.Errorf("answered by %q before anybody did", by)
	}
	r.ack(open[0].Notice.ID, "una")
	check("answered", 2, 0, 0, 0)
	if by := r.desk.AnsweredBy(open[0].Notice.ID); by != "una" {
		t.Errorf("answered by %q", by)
	}
	if r.desk.Telling(r.now).Drill != nil {
		t.Error("a drill that nobody began")
	}
	id, e, err := r.desk.NewDrill(r.now, "odo")
	if err != nil {
		t.Fatal(err)
	}
	r.absorb(e)
	check("a drill is no alarm, though it waits", 2, 0, 1, 0)
	r.send()
	r.now = r.now.Add(90 * time.Second)
	r.ack(id, "odo")
	if d := r.desk.Telling(r.now).Drill; d == nil || !d.Done || !d.Acked || d.AckedBy != "odo" || d.Person != "odo" || d.AckedIn != 90 || d.Taken["gateway"] != 0 || len(d.Taken) != 1 {
		t.Errorf("the drill is %+v", d)
	}
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, tank("e1"))))
	check("one is over", 1, 0, 0, 0)
	if by := r.desk.AnsweredBy(open[0].Notice.ID); by != "" {
		t.Errorf("what is over is answered by %q", by)
	}
}

// Notices stand worst first, then oldest first.
func TestDesk_OpenIsInOrder(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	for _, k := range []alarm.Key{{Alarm: alarm.AboveBand, Subject: "e1"}, {Alarm: alarm.LethalLimit, Subject: "e2"}, {Alarm: alarm.LethalLimit, Subject: "e3"}} {
		r.onset(k.Alarm, k.Subject, tank(k.Subject))
		r.pass(time.Minute)
	}
	var got []string
	for _, v := range r.desk.Open() {
		got = append(got, v.Notice.Members[0].Key.Subject)
	}
	if !slices.Equal(got, []string{"e2", "e3", "e1"}) {
		t.Errorf("open are %v", got)
	}
}

// A wake alarm that nobody answered calls; it reaches nobody while no channel took it
// over, and again where no channel works any more.
func TestDesk_Calling(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	check := func(when string, calling, unreached bool) {
		t.Helper()
		if c, u := r.desk.Calling(r.now); c != calling || u != unreached {
			t.Errorf("%s: calling %v, unreached %v", when, c, u)
		}
	}
	check("at first", false, false)
	r.onset(alarm.AboveBand, "e2", tank("e2"))
	r.pass(time.Minute)
	check("a today alarm", false, false)
	r.broken["mqtt"] = errAway
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	check("not taken over", true, true)
	delete(r.broken, "mqtt")
	r.pass(time.Minute)
	check("taken over", true, false)
	r.absorb(r.desk.ChannelState(r.now, "mqtt", errAway))
	check("and the channel is gone", true, true)
	r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
	r.ack("lethal-ceiling/e1/1", "una")
	check("answered", false, false)
	r.onset(alarm.LethalLimit, "e3", tank("e3"))
	check("another one", true, false)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e3", norm, tank("e3"))))
	check("which is over", false, false)
	if _, e, err := r.desk.NewDrill(r.now, "una"); err != nil || len(e.Send) == 0 {
		t.Fatal(err)
	}
	check("a drill", false, false)
}

// The end of an alarm is told to who heard of it: what to do then, what it was and how far it went.
func TestDesk_FollowUpSaysWhatToDo(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.pass(10 * time.Minute)
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, tank("e1"))))
	r.pass(time.Minute)
	m := r.got[len(r.got)-1].Message
	if m.Kind != FollowUp || m.FirstAction == "" || m.FirstAction == r.got[0].Message.FirstAction || m.Ack != "" {
		t.Errorf("%+v", m)
	}
	if len(m.Alarms) != 1 || m.Alarms[0].Alarm != alarm.LethalLimit || m.Alarms[0].State != alarm.Norm.String() {
		t.Errorf("alarms are %+v", m.Alarms)
	}
}

// A source whose time can outrun channels waits for one that connects, and for what is on
// its way: at a thousand times real time, a busy machine's connection would count as stalled.
func TestDesk_Settled(t *testing.T) {
	r := newRig(t, onePerson("mqtt", "mail"))
	check := func(want bool, when string) {
		t.Helper()
		if got := r.desk.Settled(); got != want {
			t.Errorf("%s: settled %v", when, got)
		}
	}
	down := errors.New("not connected since the start")
	check(true, "nothing was heard")
	r.absorb(r.desk.ChannelState(r.now, "mqtt", down))
	r.absorb(r.desk.ChannelState(r.now, configs.ChannelSounder, down))
	check(false, "a channel is away")
	r.absorb(r.desk.ChannelState(r.now, "mqtt", nil))
	check(true, "it is connected, and the sounder is not waited for")
	e := r.desk.Transitions(r.now, []rules.Transition{r.tr(onsetOf(alarm.LethalLimit, "e1", alarm.Unack, tank("e1")))})
	if len(e.Send) != 2 {
		t.Fatalf("%d are sent", len(e.Send))
	}
	check(false, "two are on their way")
	r.desk.Result(r.now, SendResult{Delivery: e.Send[0].ID, Version: 1, Attempt: e.Send[0].Attempt})
	check(false, "one is on its way")
	r.desk.Result(r.now, SendResult{Delivery: e.Send[1].ID, Version: 1, Attempt: e.Send[1].Attempt, Err: errors.New("away")})
	check(true, "both were tried")
}
