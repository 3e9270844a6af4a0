package alert

import (
	"strings"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// What a server asks of a today notice holds back no wake alarm that comes under
// that notice: it was told before, under another, and its repeats go on.
func TestUrgent_aTodayNoticeThatWaitsBecomesAWake(t *testing.T) {
	r := newRig(t, household([]string{"gateway"}))
	r.refuses = func(d Delivery) error {
		if d.Priority < alarm.Wake {
			return After(time.Hour, errAway)
		}
		return nil
	}
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	r.pass(time.Minute)
	r.onset(alarm.AboveBand, "e2", room)
	r.pass(time.Minute)
	n := len(r.got)
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", unack, room))) // it is the room's, it turns out
	r.pass(6 * time.Minute)
	if len(r.got) == n {
		t.Errorf("not sent again within six minutes: %q", r.told("gateway"))
	}
}

// An answer covers what its version named, also what stands under another notice
// by now.
func TestAnswer_whatMovedToAnotherNotice(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}))
	shelf := alarm.Cause{Kind: alarm.CauseShelf, ID: "a/1"}
	r.onset(alarm.LethalLimit, "e9", room)
	r.pass(time.Minute)
	r.ack("lethal-ceiling/e9/1", "a")
	r.onset(alarm.LethalAhead, "e1", shelf)
	r.onset(alarm.LethalAhead, "e2", shelf)
	r.pass(time.Minute)
	told := r.got[len(r.got)-1]
	if !names(&told.Message, "e1") || !names(&told.Message, "e2") {
		t.Fatalf("told %q", told.Message.Text)
	}
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", unack, room)))
	r.ackVersion(told.NoticeID, told.Version, "a")
	n := len(r.got)
	r.pass(time.Hour)
	for _, d := range r.got[n:] {
		if d.Again {
			t.Errorf("%s is sent again though all of it is answered: %s", d.NoticeID, d.Message.Title)
			break
		}
	}
	if in := r.desk.book.byKey[alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}]; in.calling() {
		t.Errorf("%s still calls", in.Notice.ID)
	}
}

// What came back after the message that was to name it had left without it is told
// as new.
func TestUrgent_backAfterTheMessageLeftWithoutIt(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}))
	r.onset(alarm.LethalAhead, "e1", room)
	r.pass(time.Minute)
	r.broken["mqtt"] = errAway
	r.onset(alarm.LethalAhead, "e2", room)
	r.pass(30 * time.Second)
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e2", alarm.RTNUN, room)))
	r.pass(10 * time.Second)
	delete(r.broken, "mqtt")
	r.pass(40 * time.Second)
	for _, d := range r.got {
		if names(&d.Message, "e2") {
			t.Fatalf("named already: %s", d.Message.Text)
		}
	}
	at, n := r.now.Mono, len(r.got)
	r.onset(alarm.LethalAhead, "e2", room)
	r.pass(5 * time.Minute)
	for i := n; i < len(r.got); i++ {
		if names(&r.got[i].Message, "e2") {
			if r.when[i]-at > time.Minute {
				t.Errorf("named after %v", r.when[i]-at)
			}
			return
		}
	}
	t.Error("never named")
}

// Who acknowledges the word of a silence keeps it from nobody else.
func TestSilence_oneWhoReadsItDoesNotKeepItFromOthers(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}, []string{"gateway"}))
	r.broken["gateway"] = errAway
	a := rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "e1"}, By: "a", For: 2 * time.Hour}
	r.absorb(r.desk.Acted(r.now, &a, nil))
	r.pass(5 * time.Minute)
	if len(r.got) != 1 || r.got[0].Kind != Silence {
		t.Fatalf("told %q", r.told("mqtt"))
	}
	r.ack(r.got[0].NoticeID, "a")
	delete(r.broken, "gateway")
	r.pass(15 * time.Minute)
	r.want("gateway", "silence "+r.got[0].NoticeID)
	r.want("mqtt", "silence "+r.got[0].NoticeID)
}

// Who was told before two notices became one is told on: the repeats are for those
// whose turn it was in either.
func TestTurn_ofTheNoticeThatWasAbsorbed(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}, []string{"gateway"}))
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	r.pass(11 * time.Minute)
	if len(r.told("gateway")) == 0 {
		t.Fatal("the second person was not told")
	}
	r.onset(alarm.LethalAhead, "e2", room)
	r.pass(time.Minute)
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", unack, room)))
	r.pass(30 * time.Second)
	n := len(r.told("gateway"))
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", norm, room)), r.tr(onsetOf(alarm.LethalAhead, "e2", norm, room)))
	r.pass(2 * time.Minute)
	if got := r.told("gateway"); len(got) == n {
		t.Errorf("the second person never hears that it is over: %q", got)
	}
}

// A clock that is set while an alarm is open dates its beginning too, and one that is
// set back makes no alarm last less than it did.
func TestOver_theClockIsSetMeanwhile(t *testing.T) {
	for name, step := range map[string]time.Duration{"by years": 56 * 365 * 24 * time.Hour, "back by two hours": -2 * time.Hour} {
		r := newRig(t, household([]string{"mqtt"}))
		r.now.Synced = step < 0
		r.onset(alarm.LethalLimit, "e1", tank("e1"))
		r.pass(20 * time.Minute)
		r.now.Wall, r.now.Synced = r.now.Wall.Add(step), true
		began := r.now.Wall.Add(-20 * time.Minute)
		r.pass(16 * time.Minute) // and is told again
		if d := r.got[len(r.got)-1]; step > 0 && !d.Message.Since.Equal(began) {
			t.Errorf("%s: since %v, want %v", name, d.Message.Since, began)
		}
		r.pass(4 * time.Minute)
		ended := r.now.Wall
		r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", norm, tank("e1"))))
		r.pass(time.Minute)
		d := r.got[len(r.got)-1]
		if want := "From " + began.Format("15:04") + " to " + ended.Format("15:04") + ", 40 min."; !strings.HasPrefix(d.Message.Text, want) {
			t.Errorf("%s: it says %q, want %q", name, d.Message.Text, want)
		}
	}
}
