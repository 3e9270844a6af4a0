package daemon

import (
	"testing"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/rules"
	"dewline/sensors"
)

// A room tells that its sentinel is silent after five minutes of a broker that is
// there, and that it watches again; one that was given up is missed no more.
func TestLoop_SentinelSilent(t *testing.T) {
	d := newTestDaemon(t, t.TempDir())
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer d.Store().Close(t.Context())
	d.loop.core, d.loop.channels = core.New(d.cfg.Load(), nil), &channels{log: d.log}
	d.loop.around = neighbours{core: d.loop.core, sentinels: map[string]sentinelWatch{}}
	d.loop.courier = alert.NewCourier(nil, 0, func(alert.SendResult) {}, d.log)
	now := time.Hour
	d.now = func() sensors.Instant { return at(now, true) }
	pass := func(by time.Duration, up bool) {
		for end := now + by; now < end; now += time.Second {
			d.loop.applyAll(d.loop.around.watchSentinels(d.now(), up))
		}
	}
	silent := func(want bool, when string) {
		t.Helper()
		open := false
		for _, v := range d.loop.core.Open() {
			open = open || v.Key == (rules.Key{Alarm: rules.SentinelSilent, Subject: "sentinel-watch"}) && v.Active
		}
		if open != want {
			t.Errorf("%s: told silent %v, want %v", when, open, want)
		}
	}
	pass(time.Hour, true)
	d.loop.applyAll(d.loop.around.watchedBy(d.now(), "sentinel-watch", false))
	pass(sentinelGone-time.Second, true)
	silent(false, "just heard of")
	pass(time.Hour, false)
	silent(false, "without a broker")
	pass(time.Minute, true)
	silent(false, "right after the broker came back")
	pass(sentinelGone, true)
	silent(true, "silent for long")
	d.loop.applyAll(d.loop.around.watchedBy(d.now(), "sentinel-watch", true))
	silent(false, "back")
	pass(2*sentinelGone, true)
	silent(true, "silent again")
	d.loop.applyAll(d.loop.around.watchedBy(d.now(), "", true))
	silent(false, "given up")
	for i := range 100 {
		d.loop.applyAll(d.loop.around.watchedBy(d.now(), string(rune('a'+i%26))+string(rune('a'+i/26)), false))
	}
	if len(d.loop.around.sentinels) > mostSentinels {
		t.Errorf("%d sentinels in mind", len(d.loop.around.sentinels))
	}
}

// Another board is told of until it is silent for some heartbeats, also one of
// before a restart.
func TestLoop_OtherBoard(t *testing.T) {
	d := newTestDaemon(t, t.TempDir())
	if _, _, err := d.openRecord(t.Context()); err != nil {
		t.Fatal(err)
	}
	defer d.Store().Close(t.Context())
	d.loop.core, d.loop.channels = core.New(d.cfg.Load(), nil), &channels{log: d.log}
	d.loop.around = neighbours{core: d.loop.core, sentinels: map[string]sentinelWatch{}}
	d.loop.courier = alert.NewCourier(nil, 0, func(alert.SendResult) {}, d.log)
	now := time.Hour
	d.now = func() sensors.Instant { return at(now, true) }
	told := func() bool { v, open := openSelf(d.loop.core, rules.DuplicateRoom); return open && v.Active }
	d.loop.applyAll(d.loop.around.watchOther(d.now()))
	d.loop.applyAll(d.loop.around.otherBoard(d.now(), "abc"))
	if !told() {
		t.Error("another board is not told of")
	}
	first, _ := openSelf(d.loop.core, rules.DuplicateRoom)
	for range 5 { // a third board: what is told does not go to and fro
		d.loop.applyAll(d.loop.around.otherBoard(d.now(), "def"))
		d.loop.applyAll(d.loop.around.otherBoard(d.now(), "abc"))
	}
	if v, _ := openSelf(d.loop.core, rules.DuplicateRoom); v.Detail.Is != first.Detail.Is {
		t.Errorf("told %+v, then %+v", first.Detail.Is, v.Detail.Is)
	}
	now += otherGone - time.Second
	if d.loop.applyAll(d.loop.around.watchOther(d.now())); !told() {
		t.Error("over too early")
	}
	now += time.Second
	if d.loop.applyAll(d.loop.around.watchOther(d.now())); told() {
		t.Error("not over")
	}
	d.loop.around.other = otherBoard{} // as after a restart, with the alarm open
	d.loop.apply(d.loop.core.Duplicate(d.now(), "abc"))
	d.loop.applyAll(d.loop.around.watchOther(d.now()))
	now += otherGone
	if d.loop.applyAll(d.loop.around.watchOther(d.now())); told() {
		t.Error("one of before the start is told for ever")
	}
}

// A record that opens late moves running time on by days; who showed themselves a
// moment ago is not silent by that.
func TestNeighbours_overALeap(t *testing.T) {
	c := core.New(newTestDaemon(t, t.TempDir()).cfg.Load(), nil)
	n := neighbours{core: c, sentinels: map[string]sentinelWatch{}}
	n.otherBoard(at(time.Minute, true), "abc")
	n.watchedBy(at(time.Minute, true), "sentinel-watch", true)
	n.shift(100 * time.Hour)
	later := at(100*time.Hour+2*time.Minute, true)
	if fx := append(n.watchOther(later), n.watchSentinels(later, true)...); len(fx) > 0 {
		t.Errorf("told %+v", fx)
	}
	if later = at(100*time.Hour+10*time.Minute, true); len(n.watchOther(later)) != 1 || len(n.watchSentinels(later, true)) != 1 {
		t.Error("who is silent since is not told")
	}
}
