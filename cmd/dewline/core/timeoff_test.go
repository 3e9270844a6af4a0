package core

import (
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// Lethal heat that nobody answered before a power cut, and heat that was answered
// longer ago than an answer holds: both ring as soon as the power is back, and the
// heat is still there. So does the first when the clock is set only later.
func TestCore_RingsAfterATimeOff(t *testing.T) {
	for name, x := range map[string]struct {
		answered, cool bool
		unset          time.Duration
		most           int
	}{
		"unanswered": {most: 2}, "answered": {answered: true, most: 2}, "clock set later": {unset: 2 * time.Minute, most: 2},
		"answered, and cool since": {answered: true, cool: true},
	} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, una)
			r.heat(3050)
			r.pass(45 * time.Minute)
			if x.answered {
				for _, v := range r.core.Open() {
					if v.State == alarm.Unack {
						r.must(rules.Action{Kind: rules.Acknowledge, Key: v.Key})
					}
				}
				r.pass(10 * time.Second)
			}
			before := r.wakes()
			r.now.Wall, r.now.Synced = r.now.Wall.Add(6*time.Hour), x.unset == 0
			if x.cool {
				r.celsius = 2450
			}
			r.restart(nil)
			r.pass(x.unset)
			r.now.Synced = true
			r.pass(time.Minute)
			if got := r.wakes() - before; got < min(1, x.most) || got > x.most {
				t.Errorf("woken %d times within a minute after six hours off", got)
			}
		})
	}
}
