package alert

import (
	"slices"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// Whoever answered a notice before the turn changed is off duty then: what rises
// after that under the same notice goes to the one on duty, and to the former one as
// the next, if nobody answers.
func TestDesk_AnsweredBeforeTheTurn(t *testing.T) {
	r := newRig(t, twoPeople())
	r.transitions(r.tr(change{alarm.LethalLimit, "e1", unack, alarm.Wake, room, 34, 0}))
	r.pass(time.Minute)
	r.ack("lethal-ceiling/e1/1", "una")
	r.absorb(r.desk.Reconfigure(r.now, twoPeople().InTurn("odo")))
	r.got = nil
	r.pass(time.Minute)
	if len(r.got) != 0 {
		t.Errorf("what is answered was sent: %v", r.got)
	}
	r.transitions(r.tr(change{alarm.LethalLimit, "e2", unack, alarm.Wake, room, 34, 0}))
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
		t.Errorf("the news went to %q, want odo", got)
	}
	r.pass(6 * time.Minute)
	if got := to(); !slices.Equal(got, []string{"odo", "una"}) {
		t.Errorf("unanswered, the news went to %q, want odo and then una", got)
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
