package rules

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/sensors"
)

func TestAct_Refusals(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.step(r.good("p1", 30.5, 85))
	key, milder := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, alarm.Today
	for _, c := range []struct {
		name string
		a    Action
		want error
	}{
		{"nobody", Action{Kind: Acknowledge, Key: key}, ErrNobody},
		{"no subject", Action{Kind: Acknowledge, Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e9"}, By: "x"}, ErrNoSubject},
		{"no alarm", Action{Kind: Acknowledge, Key: alarm.Key{Alarm: "too-hot", Subject: "e1"}, By: "x"}, ErrNoAlarm},
		{"old onset", Action{Kind: Acknowledge, Key: key, Seq: 7, By: "x"}, ErrOldOnset},
		{"seen when it was milder", Action{Kind: Acknowledge, Key: key, Seen: &milder, By: "x"}, ErrGrew},
		{"reset while hot", Action{Kind: Reset, Key: key, By: "x"}, ErrNotNow},
		{"lethal heat on the shelf", Action{Kind: Shelve, Key: key, By: "x", For: time.Minute}, ErrNoShelf},
		{"lethal heat among others on the shelf", Action{Kind: Shelve, Key: alarm.Key{Subject: "e1"}, By: "x", For: time.Minute, OneShot: true}, ErrNoShelf},
		{"shelf over a quarter of an hour", Action{Kind: Shelve, Key: alarm.Key{Alarm: alarm.LethalAhead, Subject: "e1"}, By: "x", For: 16 * time.Minute}, ErrTooLong},
		{"shelf without an end", Action{Kind: Shelve, Key: key, By: "x"}, ErrNoEnd},
		{"not shelved", Action{Kind: Unshelve, Key: key, By: "x"}, ErrNotNow},
		{"out without an end", Action{Kind: TakeOut, Key: key, By: "x"}, ErrNoEnd},
		{"out for ever", Action{Kind: TakeOut, Key: key, By: "x", For: 9999 * time.Hour}, ErrTooLong},
		{"not out", Action{Kind: ReturnToService, Key: key, By: "x"}, ErrNotNow},
		{"unknown", Action{Kind: "silence", Key: key, By: "x"}, ErrNoAction},
	} {
		n := len(r.log)
		if err := r.act(c.a); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
		if len(r.log) != n || r.states[key] != alarm.Unack {
			t.Errorf("%s: something changed", c.name)
		}
	}
}

func TestAct_ShelfAndService(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(time.Minute, r.calm)
	r.run(11*time.Minute, r.hold("p1", 24, 60))
	if err := r.act(Action{Kind: Shelve, Key: alarm.Key{Alarm: alarm.HumidityFloor, Subject: "e1"}, By: "robin", Why: "pump on order", For: 15 * time.Minute}); err != nil {
		t.Fatal(err)
	}
	r.run(14*time.Minute, r.hold("p1", 24, 60))
	r.want(alarm.HumidityFloor, "e1", "NORM>UNACK UNACK>SHLVD")
	r.run(2*time.Minute, r.hold("p1", 24, 60))
	r.want(alarm.HumidityFloor, "e1", "NORM>UNACK UNACK>SHLVD SHLVD>UNACK")
	r.run(poll, r.hold("p1", 31, 85))
	if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "e1"}, By: "robin", Why: "empty", Empty: true, Until: r.instant().Wall.Add(48 * time.Hour)}); err != nil {
		t.Fatal(err)
	}
	r.run(time.Hour, r.hold("p1", 31, 85))
	for id, s := range r.states {
		if id.Subject == "e1" && s != alarm.OutOfService {
			t.Errorf("%v is %v", id, s)
		}
	}
	if !r.e.Enclosures()[0].OutOfService {
		t.Error("the view does not say so")
	}
	r.log = nil
	r.now += 48 * time.Hour
	r.run(time.Minute, r.hold("p1", 31, 85))
	r.want(alarm.LethalLimit, "e1", "OOSRV>UNACK")
}

// Unset or stepped clocks must not touch a delay (standards: all alarm timers
// on the monotonic clock).
func TestClock_StepsOf14DaysLeaveTimersAlone(t *testing.T) {
	for _, step := range []time.Duration{14 * 24 * time.Hour, -14 * 24 * time.Hour} {
		r := newRig(t, rigConfig(t, 1, ""))
		r.now = 13 * time.Hour
		r.run(15*time.Minute, r.hold("p1", 26.5, 85))
		r.skew = step
		r.run(15*time.Minute, r.hold("p1", 26.5, 85))
		r.want(alarm.AboveBand, "e1", "")
		r.run(time.Minute, r.hold("p1", 26.5, 85))
		r.want(alarm.AboveBand, "e1", "NORM>UNACK")
	}
}

func TestSet_SelfConditions(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	c := Condition{Key: alarm.Key{Alarm: alarm.DeliveryStalled, Subject: Self}, Active: true, Priority: alarm.Today, Is: alarm.Fact{ID: alarm.FactSaid, Note: "the broker has not answered for 5 min"}}
	r.take(r.e.Set(r.instant(), c))
	r.want(alarm.DeliveryStalled, Self, "NORM>UNACK")
	r.take(r.e.Set(r.instant(), c))
	if len(r.log) != 1 {
		t.Errorf("told twice: %d", len(r.log))
	}
	c.Priority = alarm.Wake
	r.take(r.e.Set(r.instant(), c))
	if x := r.last(alarm.DeliveryStalled); x.Priority != alarm.Wake || x.Cause.Kind != alarm.CauseDewline || !strings.Contains(x.Text, "broker") {
		t.Errorf("%+v", x)
	}
	c.Is.Note, c.Steps = "the broker refuses the password", []alarm.Step{alarm.PutSecret}
	r.take(r.e.Set(r.instant(), c))
	if got := r.last(alarm.DeliveryStalled).Detail.Steps; !slices.Equal(got, c.Steps) {
		t.Errorf("first steps %v, want those of the condition, %v", got, c.Steps)
	}
	c.Active = false
	r.take(r.e.Set(r.instant(), c))
	r.want(alarm.DeliveryStalled, Self, "NORM>UNACK UNACK>RTNUN")
	r.now += 90 * time.Minute
	r.take(r.e.Tick(r.instant()))
	for _, v := range r.e.Open() {
		if over := v.Key.Alarm == alarm.DeliveryStalled; over != (v.OverFor == 90*time.Minute) {
			t.Errorf("90 min after the end of delivery-stalled, %v is over for %v", v.Key, v.OverFor)
		}
	}
	if got := r.e.Set(r.instant(), Condition{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}, Active: true}); got != nil {
		t.Errorf("an alarm of the engine's own was set: %+v", got)
	}
}

// A sentence is read long after it was made: while the clock is unset it says how
// long something has lasted, but not that it has only begun.
func TestSet_BeforeTheClockIsSet(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.synced = false
	c := Condition{Key: alarm.Key{Alarm: alarm.ClockUnset, Subject: Self}, Active: true, Priority: alarm.Today}
	r.take(r.e.Set(r.instant(), c))
	if got := r.last(alarm.ClockUnset).Text; !strings.HasSuffix(got, "times on record may be wrong.") {
		t.Errorf("just begun: %s", got)
	}
	r.now += 20 * time.Minute
	c.Is = alarm.Fact{ID: alarm.FactSaid, Note: "the clock is not set, and no time server answers"}
	r.take(r.e.Set(r.instant(), c))
	if got := r.last(alarm.ClockUnset).Text; !strings.HasSuffix(got, "no time server answers; for 20 min.") {
		t.Errorf("after 20 min: %s", got)
	}
}

func TestReconfigure_KeepsTimersAndEndsWhatIsGone(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.now = 13 * time.Hour
	both := func(id string, at time.Duration) *sensors.Reading {
		x := r.calm(id, at)
		if id != "room" {
			x.Temperature = 2650
		}
		return x
	}
	r.run(20*time.Minute, both)
	r.step(r.good("p2", 30.1, 85))
	r.now += poll
	cfg := rigConfig(t, 1, "")
	r.cfg = cfg
	r.take(r.e.Reconfigure(cfg, r.instant()))
	r.want(alarm.LethalLimit, "e2", "NORM>UNACK UNACK>NORM")
	if x := r.last(alarm.LethalLimit); x.Why != "configuration" {
		t.Errorf("%+v", x)
	} else if got := words.Sentence(&x.Onset, unit.Celsius); !strings.HasPrefix(got, "Tank 2") || !strings.HasSuffix(got, ": no longer configured; the alarm ends.") {
		t.Errorf("told as %q", got)
	}
	r.run(11*time.Minute, both)
	r.want(alarm.AboveBand, "e1", "NORM>UNACK")
	r.cfg = rigConfig(t, 2, "")
	r.take(r.e.Reconfigure(r.cfg, r.instant()))
	r.step(r.good("p2", 30.1, 85))
	if x := r.last(alarm.LethalLimit); x.Seq != 2 {
		t.Errorf("the alarm came back as onset %d", x.Seq)
	}
}
