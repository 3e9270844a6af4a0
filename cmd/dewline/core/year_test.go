package core

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

// A record of long ago is opened today, with its clock set at once or later: lethal heat that
// is still there wakes whoever is first by now, within a minute of the first reading, and the
// next only when it is their turn; what was put away is back; the last drill is too long ago;
// the time off is told; nothing is told that is over for long, and nothing twice.
func TestCore_OpensAnOldRecord(t *testing.T) {
	for _, years := range []int{1, 3} {
		for _, unset := range []time.Duration{0, 3 * time.Minute} {
			for _, answered := range []bool{false, true} {
				t.Run(fmt.Sprintf("%d years, unset for %s, answered %v", years, unset, answered), func(t *testing.T) { openOld(t, years, unset, answered) })
			}
		}
	}
}

func openOld(t *testing.T, years int, unset time.Duration, answered bool) {
	r := newDeskRig(t, twoOnDuty+"[drill]\nevery = \"720 h\"\n")
	drill := func(person string) string {
		id, fx, err := r.core.Drill(r.now, person, "una")
		if err != nil {
			t.Fatal(err)
		}
		r.take(fx)
		return id
	}
	done := drill("una")
	fx, err := r.core.AcknowledgeNotice(r.now, done, 0, "una", "")
	if err != nil {
		t.Fatal(err)
	}
	r.take(fx)
	r.must(rules.Action{Kind: alert.Duty, Key: alarm.Key{Subject: "odo"}, For: 8 * time.Hour})
	r.must(rules.Action{Kind: rules.TakeOut, Key: alarm.Key{Subject: "room"}, For: 48 * time.Hour})
	r.must(rules.Action{Kind: rules.Shelve, Key: alarm.Key{Alarm: alarm.AboveBand, Subject: "moss"}, For: 50 * time.Minute})
	r.heat(3050)
	r.pass(3 * time.Minute)
	if got := wakesTo(r.sent); !slices.Contains(got, "odo") {
		t.Fatalf("before told %q", got)
	}
	if answered {
		r.must(rules.Action{Kind: rules.Acknowledge, Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "moss"}})
	}
	drill("odo") // which nobody answers
	r.pass(time.Minute)

	was := r.now.Wall
	r.now.Wall, r.now.Synced = was.AddDate(years, 0, 0), unset == 0
	off := r.now.Wall.Sub(was)
	r.sent = nil
	r.restart(nil)
	r.pass(unset)
	r.now.Synced = true
	r.pass(time.Minute)
	var first []string
	for _, who := range wakesTo(slices.DeleteFunc(slices.Clone(r.sent), func(d alert.Delivery) bool { return d.Kind == alert.Test })) {
		if unset == 0 || who != "odo" { // while nobody knew the time it was still odo's turn
			first = append(first, who)
		}
	}
	if want := []string{"una"}; !slices.Equal(first, want) && !(answered && unset > 0 && len(first) > 0 && first[0] == "una") {
		t.Errorf("told in the first minute: %q, want %q", first, want)
	}
	for _, k := range []alarm.Key{{Alarm: alarm.ProbeSilent, Subject: "room"}, {Alarm: alarm.AboveBand, Subject: "moss"}} {
		if v, _ := r.core.Alarm(k); v.State == alarm.OutOfService || v.State == alarm.Shelved {
			t.Errorf("%v is still %v", k, v.State)
		}
	}
	if v, open := openSelf(r.core, alarm.BlindPeriod); !open || v.Value != off.Minutes() {
		t.Errorf("time off: open %v, %.0f min", open, v.Value)
	}
	if v, _ := openSelf(r.core, alarm.DrillOverdue); !v.Active {
		t.Error("the last drill is years ago, and none is due")
	}
	for _, d := range r.sent {
		if d.Kind == alert.Test || d.Kind == alert.Silence || d.Kind == alert.FollowUp {
			t.Errorf("told after years: %s %s", d.Kind, d.Message.Title)
		}
	}
	r.sent = nil
	r.pass(12 * time.Minute)
	if got := wakesTo(r.sent); !slices.Contains(got, "odo as the next") {
		t.Errorf("when una did not answer: %q", got)
	}
}
