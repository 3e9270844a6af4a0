package core

import (
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
)

// What was ahead is here, is answered and cools down again: that it may come back is no
// news while the temperature falls.
func TestCore_CoolingRingsNoMore(t *testing.T) {
	for _, fall := range []int{5, 10} { // hundredths of °C in a poll
		r := newDeskRig(t, una)
		slowly := func(to, step int) {
			for ; r.celsius != to; r.pass(10 * time.Second) {
				r.celsius += max(min(to-r.celsius, step), -step)
			}
		}
		slowly(3250, 5)
		r.want(alarm.LethalAhead, alarm.Suppressed, "while the lethal limit is reached")
		for _, v := range r.core.Open() {
			if v.State == alarm.Unack {
				r.must(rules.Action{Kind: rules.Acknowledge, Key: v.Key})
			}
		}
		r.sent = nil
		slowly(2400, fall)
		r.pass(20 * time.Minute)
		for _, d := range r.sent {
			if d.Priority == alarm.Wake && d.Kind != alert.FollowUp {
				t.Errorf("falling by %d in a poll: %s %s %s", fall, d.Message.Time.Format("15:04"), d.Kind, d.Message.Text)
			}
		}
		r.sent = nil
		slowly(2900, 5)
		if r.want(alarm.LethalAhead, alarm.Unack, "rising again"); r.wakes() == 0 {
			t.Error("it rises again and nobody is told")
		}
	}
}
