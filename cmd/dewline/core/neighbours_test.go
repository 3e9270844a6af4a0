package core

import (
	"errors"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A neighbourRig is a core at whose topics others show themselves.
type neighbourRig struct {
	*Core
	now sensors.Instant
}

func newNeighbourRig(t *testing.T) *neighbourRig {
	return &neighbourRig{New(decode(t, string(configs.Demo())), nil), at(time.Hour, true)}
}

func (r *neighbourRig) pass(by time.Duration) {
	for end := r.now.Mono + by; r.now.Mono < end; {
		r.now = r.now.Add(time.Second)
		r.Tick(r.now)
	}
}

func (r *neighbourRig) told(a alarm.ID, subject string) (rules.AlarmView, bool) {
	v, open := r.Alarm(alarm.Key{Alarm: a, Subject: subject})
	return v, open && v.Active
}

// A room tells that its sentinel is silent after five minutes of a broker that is
// there, and that it watches again; one that was given up is missed no more.
func TestNeighbours_SentinelSilent(t *testing.T) {
	r := newNeighbourRig(t)
	silent := func(want bool, when string) {
		t.Helper()
		if _, open := r.told(alarm.SentinelSilent, "sentinel-watch"); open != want {
			t.Errorf("%s: told silent %v, want %v", when, open, want)
		}
	}
	r.ChannelState(r.now, "mqtt", nil)
	r.pass(2 * sentinelGone)
	r.WatchedBy(r.now, "sentinel-watch", false)
	r.pass(sentinelGone - time.Second)
	silent(false, "just heard of")
	r.ChannelState(r.now, "mqtt", errors.New("gone"))
	r.pass(2 * sentinelGone)
	silent(false, "without a broker")
	r.ChannelState(r.now, "mail", nil) // that is no broker
	r.pass(2 * sentinelGone)
	silent(false, "still without a broker")
	r.ChannelState(r.now, "mqtt", nil)
	r.pass(time.Minute)
	silent(false, "right after the broker came back")
	r.pass(sentinelGone)
	silent(true, "silent for long")
	r.WatchedBy(r.now, "sentinel-watch", true)
	silent(false, "back")
	r.pass(sentinelGone)
	silent(true, "silent again")
	r.WatchedBy(r.now, "", true)
	silent(false, "given up")
	for i := range 100 {
		r.WatchedBy(r.now, string(rune('a'+i%26))+string(rune('a'+i/26)), false)
	}
	if len(r.sentinels) > mostSentinels {
		t.Errorf("%d sentinels in mind", len(r.sentinels))
	}
}

// Another board is told of until it is silent for some heartbeats, also one of
// before a restart.
func TestNeighbours_OtherBoard(t *testing.T) {
	r := newNeighbourRig(t)
	told := func() bool { _, open := r.told(alarm.DuplicateRoom, rules.Self); return open }
	r.Tick(r.now)
	r.OtherBoard(r.now, "abc")
	first, open := r.told(alarm.DuplicateRoom, rules.Self)
	if !open {
		t.Error("another board is not told of")
	}
	for range 5 { // a third board: what is told does not go to and fro
		r.OtherBoard(r.now, "def")
		r.OtherBoard(r.now, "abc")
	}
	if v, _ := r.told(alarm.DuplicateRoom, rules.Self); v.Detail.Is != first.Detail.Is {
		t.Errorf("told %+v, then %+v", first.Detail.Is, v.Detail.Is)
	}
	if r.pass(otherGone - time.Second); !told() {
		t.Error("over too early")
	}
	if r.pass(time.Second); told() {
		t.Error("not over")
	}
	r.other = 0 // as after a restart, with the alarm open
	r.duplicate(r.now, "abc")
	r.Tick(r.now)
	if r.pass(otherGone); told() {
		t.Error("one of before the start is told for ever")
	}
}

// A record that opens late moves running time on by days; who showed themselves a
// moment ago is not silent by that.
func TestNeighbours_overALeap(t *testing.T) {
	r := newNeighbourRig(t)
	r.connected = true
	r.OtherBoard(at(time.Minute, true), "abc")
	r.WatchedBy(at(time.Minute, true), "sentinel-watch", true)
	r.Core.shift(100 * time.Hour)
	told := func(at sensors.Instant) int { return len(r.neighbours.watch(at).Transitions) }
	if n := told(at(100*time.Hour+2*time.Minute, true)); n > 0 {
		t.Errorf("told %d", n)
	}
	if n := told(at(100*time.Hour+10*time.Minute, true)); n != 2 {
		t.Errorf("told %d, want both that are silent since", n)
	}
}
