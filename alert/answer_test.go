package alert

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
)

// covered lists the active alarms that an answer covers, and the others.
func (r *rig) covered() (yes, no []string) {
	for _, v := range r.desk.Open() {
		for _, m := range v.Notice.Members {
			switch {
			case !m.Active():
			case m.Covered:
				yes = append(yes, m.Key.Subject)
			default:
				no = append(no, m.Key.Subject)
			}
		}
	}
	slices.Sort(yes)
	slices.Sort(no)
	return yes, no
}

func (r *rig) wantCovered(yes, no string) {
	r.t.Helper()
	y, n := r.covered()
	if strings.Join(y, " ") != yes || strings.Join(n, " ") != no {
		r.t.Errorf("covered %v, not covered %v; want %q and %q", y, n, yes, no)
	}
}

// An answer covers what its version told, whenever it arrives; what came since
// rings on, is repeated and goes to the next person.
func TestAnswer_coversItsVersion(t *testing.T) {
	tests := []struct {
		name    string
		answer  func(r *rig, id string)
		yes, no string
	}{
		{"the first version", func(r *rig, id string) { r.ackVersion(id, 1, "una") }, "e1", "e2"},
		{"the second", func(r *rig, id string) { r.ackVersion(id, 2, "una") }, "e1 e2", ""},
		{"one to come", func(r *rig, id string) { r.ackVersion(id, 9, "una") }, "e1 e2", ""},
		{"what was handed over", func(r *rig, id string) { r.ack(id, "una") }, "e1 e2", ""},
		{"twice the first", func(r *rig, id string) { r.ackVersion(id, 1, "una"); r.ackVersion(id, 1, "una") }, "e1", "e2"},
		{"first, then second", func(r *rig, id string) { r.ackVersion(id, 1, "una"); r.ackVersion(id, 2, "odo") }, "e1 e2", ""},
	}
	for _, tt := range tests {
		for _, restarts := range []bool{false, true} {
			t.Run(fmt.Sprint(tt.name, " restart ", restarts), func(t *testing.T) {
				r := newRig(t, twoPeople())
				r.onset(alarm.LethalLimit, "e1", room)
				r.pass(time.Minute)
				r.onset(alarm.LethalLimit, "e2", room)
				r.pass(time.Minute)
				if restarts {
					r.restart()
				}
				tt.answer(r, "lethal-ceiling/e1/1")
				if restarts {
					r.restart()
				}
				r.wantCovered(tt.yes, tt.no)
				n, since := len(r.told("mqtt")), r.now.Mono
				r.pass(20 * time.Minute)
				again, escalated := len(r.told("mqtt")) > n, r.namedAfter(since, "e2", "gateway") >= 0
				if rings := tt.no != ""; again != rings || escalated != rings {
					t.Errorf("repeated %v, told to the next person %v, want %v", again, escalated, rings)
				}
			})
		}
	}
}

// Without a version, an answer covers what was handed over, not what is still
// on its way or only in the books.
func TestAnswer_withoutVersion(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.LethalLimit, "e1", room)
	r.pass(time.Minute)
	r.broken["mqtt"] = errAway
	r.onset(alarm.LethalLimit, "e2", room)
	r.onset(alarm.LethalLimit, "e3", room)
	r.ack("lethal-ceiling/e1/1", "una")
	r.wantCovered("e1", "e2 e3")
	delete(r.broken, "mqtt")
	since := r.now.Mono
	r.pass(time.Minute)
	r.wantNamed(since, "e2", "mqtt", time.Minute)
	r.wantNamed(since, "e3", "mqtt", time.Minute)
	r.ack("lethal-ceiling/e1/1", "una")
	r.wantCovered("e1 e2 e3", "")
	// It rings again: the old answer is for the old ringing.
	r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e3", rtnun, room)))
	r.pass(time.Minute)
	r.onset(alarm.LethalLimit, "e3", room)
	r.pass(time.Minute)
	r.ackVersion("lethal-ceiling/e1/1", 1, "una")
	r.wantCovered("e1 e2", "e3")
}

// Nothing was handed over yet: who answers saw it elsewhere.
func TestAnswer_beforeAnyDelivery(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.broken["mqtt"] = errAway
	r.onset(alarm.LethalLimit, "e1", room)
	r.onset(alarm.AboveBand, "e2", tank("e2"))
	r.ack("lethal-ceiling/e1/1", "una")
	r.ack("above-band/e2/1", "una")
	r.wantCovered("e1 e2", "")
}

// An answer without a version is one to what was handed over. What rings since, and that no
// message told of, is not answered by it: not what rose again, nor what grew more urgent, nor
// what is not said yet.
func TestAnswer_withoutVersionToWhatWas(t *testing.T) {
	away := func(r *rig) {
		for _, c := range modelChannels {
			r.broken[c] = errAway
		}
	}
	mild := onsetOf(alarm.LethalAhead, "e1", unack, tank("e1"))
	mild.p = alarm.Today
	for name, story := range map[string]func(r *rig) (id string){
		"it rose again": func(r *rig) string {
			r.onset(alarm.LethalLimit, "e1", room)
			r.pass(time.Minute)
			away(r)
			r.transitions(r.tr(onsetOf(alarm.LethalLimit, "e1", alarm.LatchUnack, room)))
			r.pass(10 * time.Second)
			r.onset(alarm.LethalLimit, "e1", room)
			return "lethal-ceiling/e1/1"
		},
		"it was over, and begins anew": func(r *rig) string {
			r.onset(alarm.LethalAhead, "e1", tank("e1"))
			r.pass(time.Minute)
			r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", rtnun, tank("e1"))))
			r.pass(10 * time.Minute)
			r.onset(alarm.LethalAhead, "e1", tank("e1"))
			return "ceiling-ahead/e1/1"
		},
		"it was milder": func(r *rig) string {
			r.transitions(r.tr(mild))
			r.pass(time.Minute)
			away(r)
			r.onset(alarm.LethalAhead, "e1", tank("e1"))
			return "ceiling-ahead/e1/1"
		},
	} {
		for _, restarts := range []bool{false, true} {
			for _, by := range []string{"una", "odo", "robin"} {
				t.Run(fmt.Sprint(name, " restart ", restarts, " ", by), func(t *testing.T) {
					r := newRig(t, twoPeople())
					id := story(r)
					if restarts {
						r.restart()
					}
					r.ack(id, by)
					r.wantCovered("", "e1")
					clear(r.broken)
					since := r.now.Mono
					r.pass(time.Minute)
					r.wantNamed(since, "e1", "mqtt", time.Minute)
					r.ack(id, by)
					r.wantCovered("e1", "")
				})
			}
		}
	}
}

// An answer to a notice that another absorbed covers what it had told.
func TestAnswer_toAnAbsorbedNotice(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	r.pass(30 * time.Second)
	r.onset(alarm.LethalLimit, "e2", room)
	r.onset(alarm.LethalLimit, "e3", room)
	r.pass(30 * time.Second)
	r.onset(alarm.LethalAhead, "e1", room)
	r.pass(time.Minute)
	if n := len(r.desk.Open()); n != 1 {
		t.Fatalf("%d notices", n)
	}
	r.ack("ceiling-ahead/e1/1", "una")
	r.wantCovered("e1", "e2 e3")
	since := r.now.Mono
	r.pass(15 * time.Minute)
	r.wantNamed(since, "e2", "mqtt", 5*time.Minute)
	r.wantNamed(since, "e2", "gateway", 10*time.Minute)
}

// Lethal heat that another notice told of comes under one whose present version
// does not name it: an answer to that version does not cover it.
func TestAnswer_notOfWhatMovedIn(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", tank("e1"))
	r.onset(alarm.LethalAhead, "e3", room)
	r.onset(alarm.LethalLimit, "e2", room)
	r.pass(10 * time.Second)
	var version int
	for _, v := range r.desk.Open() {
		if v.Notice.ID == "ceiling-ahead/e3/1" {
			version = v.Notice.Version
		}
	}
	r.ackVersion("ceiling-ahead/e3/1", 0, "una")
	r.onset(alarm.LethalLimit, "e1", room)
	if _, _, err := r.desk.Acknowledge(r.now, "ceiling-ahead/e3/1", version, "una"); !errors.Is(err, ErrOldVersion) {
		t.Errorf("answered with version %d: %v, want that it covers nothing", version, err)
	}
	r.wantCovered("e2 e3", "e1")
}

// A document of before versions were kept covers what it told then.
func TestAnswer_oldDocument(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", room)
	r.pass(time.Minute)
	for k, doc := range r.docs {
		for _, field := range []string{`"named":[{"notice":"lethal-ceiling/e1/1","version":1}],`, `"confirmed":1`} {
			if !strings.Contains(string(doc), field) {
				t.Fatalf("the document has no %s: %s", field, doc)
			}
		}
		s := strings.ReplaceAll(string(doc), `"named":[{"notice":"lethal-ceiling/e1/1","version":1}],`, "")
		s = strings.ReplaceAll(strings.ReplaceAll(s, `"heard":true,`, ""), `"confirmed":1`, `"confirmed":0`)
		r.docs[k] = []byte(s)
	}
	r.restart()
	n := len(r.got)
	r.pass(2 * time.Minute)
	if len(r.got) != n {
		t.Errorf("told again after the upgrade: %q", r.told("mqtt"))
	}
	r.onset(alarm.LethalLimit, "e2", room)
	r.pass(time.Minute)
	r.ackVersion("lethal-ceiling/e1/1", 1, "una")
	r.wantCovered("e1", "e2")
}

// A today alarm that joins an answered notice is told by the answer to it at
// the latest.
func TestAnswer_milderNews(t *testing.T) {
	r := newRig(t, onePerson("mqtt"))
	r.onset(alarm.AboveBand, "e1", room)
	r.pass(time.Minute)
	r.ack("above-band/e1/1", "una")
	r.onset(alarm.AboveBand, "e2", room)
	r.pass(time.Minute)
	r.wantCovered("e1", "e2")
	since := r.now.Mono
	r.ack("above-band/e1/1", "una")
	r.wantCovered("e1 e2", "")
	r.pass(time.Minute)
	r.wantNamed(since, "e2", "mqtt", 0)
}

// Who was told of an alarm hears that it is over, also where another notice took it over
// meanwhile, whose turn never came to them.
func TestOver_ReachesWhoHeardElsewhere(t *testing.T) {
	r := newRig(t, household([]string{"mqtt"}, []string{"mail"}, []string{"gateway"}))
	r.onset(alarm.LethalAhead, "e1", tank("e1"))
	r.pass(11 * time.Minute)
	r.ack("ceiling-ahead/e1/1", "b")
	r.onset(alarm.LethalLimit, "e2", room)
	r.onset(alarm.LethalLimit, "e3", room)
	r.pass(30 * time.Second)
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", acked, room)))
	r.pass(time.Minute)
	if n := len(r.desk.Open()); n != 1 {
		t.Fatalf("%d notices", n)
	}
	r.ack(r.desk.Open()[0].Notice.ID, "a")
	r.pass(time.Minute)
	r.restart()
	r.transitions(r.tr(onsetOf(alarm.LethalAhead, "e1", norm, room)), r.tr(onsetOf(alarm.LethalLimit, "e2", norm, room)), r.tr(onsetOf(alarm.LethalLimit, "e3", norm, room)))
	r.pass(15 * time.Minute)
	for channel, told := range map[string]bool{"mqtt": true, "mail": true, "gateway": false} {
		n := 0
		for _, x := range r.told(channel) {
			if strings.HasPrefix(x, string(FollowUp)) {
				n++
			}
		}
		if n != 1 && told || n > 0 && !told {
			t.Errorf("%s: %q", channel, r.told(channel))
		}
	}
}
