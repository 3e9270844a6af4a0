package core

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs/unit"
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

// A record that opens late tells of the time off before this run, not of the time
// that it took to open. What this run told of rings on as it did, and goes to the
// next person when it is their turn; what was answered since stays so.
func TestMerge_AfterATimeOff(t *testing.T) {
	for name, answered := range map[string]bool{"unanswered": false, "answered since": true} {
		t.Run(name, func(t *testing.T) {
			r := newDeskRig(t, una+"[[person]]\nid = \"odo\"\nchannels = [\"mail\"]\nmail_to = \"odo@example.org\"\n")
			r.heat(3050)
			r.pass(2 * time.Minute)
			state, err := r.core.State()
			if err != nil {
				t.Fatal(err)
			}
			saved, past := r.disk.saved(state), r.now.Mono
			r.disk, r.core = disk{}, New(r.cfg, nil)
			r.core.Start(4711)
			r.now.Mono, r.now.Wall = time.Second, r.now.Wall.Add(6*time.Hour)
			r.pass(3 * time.Minute)
			if answered {
				for _, v := range r.core.Open() {
					r.must(rules.Action{Kind: rules.Acknowledge, Key: v.Key})
				}
			}
			r.journal, r.sent = nil, nil
			r.now.Mono += past
			fx, err := r.core.Merge(r.now, past, saved, nil)
			if err != nil {
				t.Fatal(err)
			}
			r.take(fx)
			r.pass(time.Minute)
			if v, open := openSelf(r.core, alarm.BlindPeriod); !open || !strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "for 6 h") {
				t.Errorf("time off: open %v, %s", open, words.Sentence(&v.Onset, unit.Celsius))
			}
			if at := r.wakes(); at != 0 {
				t.Errorf("rings %d times at once, though told three minutes ago", at)
			}
			if r.pass(3 * time.Minute); !answered {
				r.pass(5 * time.Minute)
			}
			odo := slices.ContainsFunc(r.sent, func(d alert.Delivery) bool { return d.Person == "odo" && d.Priority == alarm.Wake })
			if got := r.wakes(); (got > 0) == answered || odo == answered {
				t.Errorf("rings %d times, next person %v: %+v", got, odo, r.sent)
			}
		})
	}
}

// An open notice learns once a minute of a value that drifts.
func TestCore_NoticesLearnOfDrift(t *testing.T) {
	r := newDeskRig(t, una)
	r.heat(3050)
	r.pass(2 * time.Minute)
	told := func() float64 { return r.core.desk.Open()[0].Notice.Members[0].Value }
	for was := told(); told() == was; r.pass(10 * time.Second) {
		r.celsius++
	}
	was := told()
	r.celsius += 20
	if r.pass(refreshEvery - 20*time.Second); told() != was {
		t.Error("learned before its time")
	}
	if r.pass(20 * time.Second); told() == was {
		t.Errorf("still %.2f after a minute at %.2f", was, float64(r.celsius)/100)
	}
	if fx := r.core.Tick(r.now.Add(time.Second)); len(fx.Docs) > 0 {
		t.Errorf("writes though nothing happened: %+v", fx.Docs)
	}
}
