package alert

import (
	"maps"
	"slices"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/store"
)

// Whoever answered a notice before the turn changed is off duty then: what rises
// after that under the same notice goes to the one on duty, and to the former one as
// the next, if nobody answers.
func TestDesk_AnsweredBeforeTheTurn(t *testing.T) {
	for _, kind := range []alarm.ID{alarm.LethalLimit, alarm.LethalAhead} {
		r := newRig(t, twoPeople())
		r.transitions(r.tr(change{kind, "e1", unack, alarm.Wake, room, 34, 0}))
		r.pass(time.Minute)
		r.ack(string(kind)+"/e1/1", "una")
		r.absorb(r.desk.Reconfigure(r.now, twoPeople().InTurn("odo")))
		r.got = nil
		r.pass(time.Minute)
		if len(r.got) != 0 {
			t.Errorf("%s: what is answered was sent: %v", kind, r.got)
		}
		r.transitions(r.tr(change{kind, "e2", unack, alarm.Wake, room, 34, 0}))
		to := func() (who []string) {
			for _, d := range r.got {
				if !slices.Contains(who, d.Person) {
					who = append(who, d.Person)
				}
			}
			return who
		}
		r.pass(6 * time.Minute)
		if got := to(); !slices.Equal(got, []string{"odo"}) {
			t.Errorf("%s: the news went to %q, want odo", kind, got)
		}
		r.pass(6 * time.Minute)
		if got := to(); !slices.Equal(got, []string{"odo", "una"}) {
			t.Errorf("%s: unanswered, the news went to %q, want odo and then una", kind, got)
		}
	}
}

// A channel that is known dead is passed over after a turn as at the start: the one
// on duty cannot be reached, and the former one rings on at once.
func TestDesk_TurnToADeadChannel(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, room, 34, 0}))
	r.pass(time.Minute)
	r.absorb(r.desk.ChannelState(r.now, "gateway", errAway))
	r.broken["gateway"], r.got = errAway, nil
	r.absorb(r.desk.Reconfigure(r.now, twoPeople().InTurn("odo")))
	r.send()
	r.pass(time.Minute)
	if len(r.got) == 0 || r.got[0].Person != "una" {
		t.Errorf("odo cannot be reached, and within a minute went out %v", r.got)
	}
}

// A reload takes a channel away while a delivery is with it: its word that it took
// that over counts, and nobody is told twice who heard it by another.
func TestDesk_ChannelGoneInFlight(t *testing.T) {
	r := newRig(t, twoPeople())
	r.absorb(r.desk.Transitions(r.now, []rules.Transition{r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, room, 34, 0})}))
	if len(r.waiting) != 2 {
		t.Fatalf("on its way: %v", r.waiting)
	}
	o := twoPeople()
	o.People[0].Channels = []string{"mail"}
	r.absorb(r.desk.Reconfigure(r.now, o))
	r.send()
	r.want("mqtt", "raise lethal-ceiling/e1/1")
	r.want("mail", "raise lethal-ceiling/e1/1")
	handed := r.desk.Open()[0].Notice.Members[0].Handed
	if len(handed) != 1 || handed[0].Channel != "mqtt" {
		t.Errorf("handed over: %+v", handed)
	}
	r.pass(4 * time.Minute)
	r.want("mail", "raise lethal-ceiling/e1/1")
	r.pass(2 * time.Minute)
	r.want("mqtt", "raise lethal-ceiling/e1/1")
	r.want("mail", "raise lethal-ceiling/e1/1", "raise lethal-ceiling/e1/1")
}

// An alarm that rose again stands in two documents, one of which is over. After a start
// what comes next goes to the one that rings, in whatever order they are read.
func TestRestore_anAlarmThatRoseAgain(t *testing.T) {
	r := newRig(t, twoPeople())
	heat := func(to alarm.State) {
		r.transitions(r.tr(change{alarm.LethalLimit, "e1", to, alarm.Wake, tank("e1"), 34, 0}))
		r.pass(time.Minute)
	}
	heat(unack)
	r.ack("lethal-ceiling/e1/1", "una")
	for _, c := range []string{"mqtt", "mail", "gateway"} {
		r.broken[c] = errAway // so that the word that it is over waits
	}
	heat(alarm.Norm)
	heat(unack)
	key := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}
	if n := len(r.docs); n != 2 {
		t.Fatalf("%d documents, want that of what is over and the new one", n)
	}
	for _, first := range slices.Sorted(maps.Keys(r.docs)) {
		d, docs := NewDesk(r.opt), []store.Doc{docOf(first, r.docs[first])}
		for k, v := range r.docs {
			if k != first {
				docs = append(docs, docOf(k, v))
			}
		}
		if _, err := d.Restore(r.now, docs); err != nil {
			t.Fatal(err)
		}
		if in := d.book.byKey[key]; in == nil || !in.active() {
			t.Errorf("with %s first, the alarm that rings is looked for in %+v", first, in)
		}
	}
}
