package core

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/rules/event"
	"dewline/sensors"
)

// openSelf returns the alarm about dewline itself of that name, if it is open.
func openSelf(c *Core, id alarm.ID) (rules.AlarmView, bool) {
	for _, v := range c.engine.Open() {
		if v.Key.Alarm == id {
			return v, true
		}
	}
	return rules.AlarmView{}, false
}

func at(mono time.Duration, synced bool) sensors.Instant {
	wall := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC).Add(mono)
	return sensors.Instant{Mono: mono, Wall: wall, Synced: synced}
}

func TestClockUnsetIsSaidAfterAWhileAndTakenBack(t *testing.T) {
	c := New(decode(t, string(configs.Demo())), nil)
	const start = time.Hour // of running time, which goes on over restarts
	c.Tick(at(start, false))
	c.Tick(at(start+unsetAfter-time.Second, false))
	if _, open := openSelf(c, alarm.ClockUnset); open {
		t.Error("said before a board had its time to set the clock")
	}
	c.Tick(at(start+unsetAfter, false))
	if _, open := openSelf(c, alarm.ClockUnset); !open {
		t.Fatal("an unset clock is not said")
	}
	for s := range 120 {
		c.Tick(at(start+unsetAfter+time.Duration(s)*time.Second, true))
	}
	if v, _ := openSelf(c, alarm.ClockUnset); v.Active {
		t.Error("still active after the clock was set")
	}
}

// What the broker does not let the room hear is told by an alarm, with what to do, until it
// lets it: a log that nobody reads is no word.
func TestWhatTheBrokerRefusesIsTold(t *testing.T) {
	c := New(decode(t, string(configs.Demo())), nil)
	c.Tick(at(0, true))
	what := []string{"commands over MQTT do not work: subscribe to dewline/attic/command: the broker refuses it"}
	for _, grave := range []bool{false, true} {
		c.NotGranted(at(time.Second, true), what, grave)
		v, open := openSelf(c, alarm.ConfigRefused)
		if !open || v.Priority == alarm.Today != grave {
			t.Fatalf("open: %v, %v where it is grave: %v", open, v.Priority, grave)
		}
	}
	var body string
	for m := time.Second; m < 2*time.Minute; m += time.Second {
		for _, d := range c.Tick(at(m, true)).Send {
			if strings.Contains(d.Message.Title, "broker") {
				body = d.Message.Title + "\n" + d.Message.Text
			}
		}
	}
	for _, want := range []string{"the broker refuses dewline a part", "dewline/attic/command", "the watch goes on", "access list"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q lacks %q", body, want)
		}
	}
	c.NotGranted(at(3*time.Minute, true), nil, false)
	if v, _ := openSelf(c, alarm.ConfigRefused); v.Active {
		t.Error("still active when it lets all be heard")
	}
}

// What does not work for want of a secret is told until it does.
func TestLeftOutIsTold(t *testing.T) {
	c := New(decode(t, string(configs.Demo())), nil)
	key := alarm.Key{Alarm: alarm.ConfigRefused, Subject: alarm.Secrets}
	c.LeftOut(at(time.Second, true), []alarm.Fact{{ID: alarm.FactSaid, Note: "mail"}})
	if v, open := c.Alarm(key); !open || !v.Active || v.Detail.Is.Count != 1 {
		t.Errorf("open %v, %+v", open, v)
	}
	c.LeftOut(at(time.Minute, true), nil)
	if v, _ := c.Alarm(key); v.Active {
		t.Error("told on although nothing is left out")
	}
}

func TestClockStepGoesIntoTheJournal(t *testing.T) {
	c := New(decode(t, string(configs.Demo())), nil)
	c.Tick(at(0, true))
	if e := c.Tick(at(time.Minute, true)); countKind(e, "clock-step") != 0 {
		t.Error("time that passes is taken for a step")
	}
	for _, step := range []time.Duration{14 * 24 * time.Hour, -14 * 24 * time.Hour, 11 * time.Second} {
		stepped := at(2*time.Minute, true)
		stepped.Wall = stepped.Wall.Add(step)
		before := c.self.last
		e := c.Tick(stepped)
		if countKind(e, "clock-step") != 1 {
			t.Errorf("a step of %s left no line", step)
		}
		c.self.last = before
	}
	drift := at(3*time.Minute, true)
	drift.Wall = drift.Wall.Add(2 * time.Second)
	if e := c.Tick(drift); countKind(e, "clock-step") != 0 {
		t.Error("drift is taken for a step")
	}
}

func countKind(e Effects, kind string) int {
	n := 0
	for _, ev := range e.Events {
		if ev.Kind() == kind {
			n++
		}
	}
	return n
}

func TestDrillFallsDue(t *testing.T) {
	cfg := decode(t, string(configs.Demo()))
	every := cfg.Drill.Every.D()
	if every != 30*24*time.Hour {
		t.Fatalf("the demo reminds every %s, want 30 days", every)
	}
	c := New(cfg, nil)
	c.Tick(at(every, true))
	if _, open := openSelf(c, alarm.DrillOverdue); open {
		t.Error("due at once")
	}
	c.Tick(at(every+time.Second, true))
	v, open := openSelf(c, alarm.DrillOverdue)
	if !open || v.Priority != alarm.Note || !strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "30 days") {
		t.Errorf("after 30 days: open %v, %+v", open, v)
	}
	id, _, err := c.Drill(at(every+time.Minute, true), "", "test")
	if err != nil {
		t.Fatal(err)
	}
	c.Tick(at(every+2*time.Minute, true))
	if v, _ := openSelf(c, alarm.DrillOverdue); !v.Active {
		t.Error("a drill that nobody has acknowledged yet counts as held")
	}
	if _, err := c.AcknowledgeNotice(at(every+3*time.Minute, true), id, 0, "una", ""); err != nil {
		t.Fatal(err)
	}
	for s := range 300 {
		c.Tick(at(every+3*time.Minute+time.Duration(s)*time.Second, true))
	}
	if v, _ := openSelf(c, alarm.DrillOverdue); v.Active {
		t.Error("still due after a drill")
	}
}

func TestStateSurvivesItsEncoding(t *testing.T) {
	cfg := decode(t, string(configs.Demo()))
	c := New(cfg, nil)
	for s := range 600 {
		now := at(time.Duration(s)*10*time.Second, true)
		c.Reading(sensors.Reading{
			Probe: "a-1-1-canopy", At: now, Has: sensors.HasTemperature | sensors.HasHumidity,
			Temperature: 2400, Humidity: 8500, Quality: sensors.Good,
		})
		c.Tick(now)
	}
	b, err := c.State()
	if err != nil {
		t.Fatal(err)
	}
	back, err := decodeState(b)
	if err != nil || back.Now != c.engine.State().Now {
		t.Errorf("read back as %v, %v", back, err)
	}
	for _, damaged := range [][]byte{b[:len(b)/2], []byte("not deflated"), {0}} {
		if _, err := decodeState(damaged); err == nil {
			t.Errorf("%d damaged bytes were taken for a state", len(damaged))
		}
	}
	if s, err := decodeState(nil); s != nil || err != nil {
		t.Errorf("nothing read back as %v, %v", s, err)
	}
}

// A certificate is a note thirty days ahead, told at once in its last week, and
// forgotten once it is renewed or no longer used, across restarts.
func TestCore_Certificates(t *testing.T) {
	r := newDeskRig(t, una)
	end := r.now.Wall.Add(31 * 24 * time.Hour)
	look := func(at time.Duration) (rules.AlarmView, bool) {
		t.Helper()
		r.now.Wall, r.now.Mono = r.now.Wall.Add(at), r.now.Mono+at
		r.take(r.core.Certificates(r.now, []Certificate{{"broker", end}}))
		r.pass(time.Minute)
		return openSelf(r.core, alarm.CertificateDue)
	}
	if v, open := look(0); open {
		t.Errorf("31 days ahead: %+v", v)
	}
	v, open := look(2 * 24 * time.Hour)
	if !open || v.Priority != alarm.Note || !strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "the broker's certificate ends on "+end.UTC().Format("2 Jan 2006")) {
		t.Errorf("29 days ahead: open %v, %+v", open, v)
	}
	sent := len(r.sent)
	r.restart(nil)
	v, _ = look(24 * 24 * time.Hour)
	if v.Priority != alarm.Today || len(r.sent) == sent {
		t.Errorf("5 days ahead: priority %s, %d messages", v.Priority, len(r.sent)-sent)
	}
	if v, _ = look(6 * 24 * time.Hour); !strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "ended on") {
		t.Errorf("when it is over: %q", words.Sentence(&v.Onset, unit.Celsius))
	}
	end = r.now.Wall.Add(90 * 24 * time.Hour)
	if v, _ = look(0); v.Active {
		t.Error("renewed, and the alarm goes on")
	}
	end = r.now.Wall.Add(24 * time.Hour)
	if v, _ = look(0); !v.Active {
		t.Error("the next one that runs out is not told of")
	}
	r.take(r.core.Certificates(r.now, []Certificate{{"broker", time.Time{}}}))
	if v, _ = openSelf(r.core, alarm.CertificateDue); !v.Active {
		t.Error("nobody has seen the broker's certificate in this run, and the alarm ends")
	}
	r.take(r.core.Certificates(r.now, nil))
	if v, _ = openSelf(r.core, alarm.CertificateDue); v.Active {
		t.Error("there is no broker any more, and its certificate's alarm goes on")
	}
	r.now.Synced = false
	if fx := r.core.Certificates(r.now, []Certificate{{"broker", time.Unix(0, 0)}}); !fx.Empty() {
		t.Error("judged by a clock that is not set")
	}
}

// With a broker that was never reached, the other channels are asked to say so
// within 5 minutes of the start, with the reason.
func TestCore_BrokerNeverReachedIsToldInTime(t *testing.T) {
	cfg := demoConfig(t)
	cfg.MQTT.Broker = "tcp://broker.invalid:1883"
	cfg.People[0].Channels = []string{"mqtt", "push"}
	c := New(cfg, nil)
	start := at(0, true)
	c.ChannelState(start, "mqtt", errors.New("not authorised"))
	var told time.Duration
	for s := range 600 {
		now := at(time.Duration(s)*time.Second, true)
		for _, d := range c.Tick(now).Send {
			if d.Channel == "push" && told == 0 {
				told = now.Sub(start)
			}
		}
	}
	if told == 0 || told > 5*time.Minute {
		t.Errorf("the other channel was asked after %s (0 for never), want within 5 min", told)
	}
	v, open := openSelf(c, alarm.DeliveryStalled)
	if !open || v.Key.Subject != "mqtt" || len(v.Detail.Evidence) == 0 || v.Detail.Evidence[0].Note != "not authorised" {
		t.Errorf("the alarm is %+v, open %v; want one of mqtt with the reason", v, open)
	}
}

// Who started on a wrong lethal limit is not told that what is in force can be used.
func TestRefusedIsNoPromise(t *testing.T) {
	c := New(decode(t, rigRoom), nil)
	c.ConfigRefused(at(time.Hour, true), "f:1:1: the lethal limit is 86 °C; did you mean 86 °F?")
	v, open := openSelf(c, alarm.ConfigRefused)
	if !open || !strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "mistakes included") || strings.Contains(words.Sentence(&v.Onset, unit.Celsius), "can be used") {
		t.Errorf("open %v: %s", open, words.Sentence(&v.Onset, unit.Celsius))
	}
}

// What the daemon waits for, before it tells of itself, ends to the second.
func TestSelfWatch_AtItsLimits(t *testing.T) {
	for step, want := range map[time.Duration]bool{10 * time.Second: true, 10*time.Second - 1: false, -10 * time.Second: true, 1 - 10*time.Second: false} {
		after := at(time.Hour, true)
		after.Wall = after.Wall.Add(step)
		if got := clockStep(at(time.Minute, true), after); (got == step) != want || !want && got != 0 {
			t.Errorf("a clock that is off by %v: a step of %v", step, got)
		}
	}
	if clockStep(sensors.Instant{}, at(time.Hour, true)) != 0 {
		t.Error("the first look is a step")
	}
	const month = 30 * 24 * time.Hour
	for ago, want := range map[time.Duration]bool{month: false, month + 1: true} {
		w := selfWatch{drillEvery: month, drilled: time.Hour}
		if w.drillOverdue(at(time.Hour+ago, true)) != want {
			t.Errorf("a drill %v ago: overdue %v", ago, !want)
		}
	}
	if (&selfWatch{}).drillOverdue(at(9999*time.Hour, true)) {
		t.Error("a drill is overdue that nobody wants")
	}
	// Nobody watched: five minutes are told, for five minutes.
	for gap, want := range map[time.Duration]bool{blindAtLeast: true, blindAtLeast - 1: false} {
		c := New(decode(t, string(configs.Demo())), nil)
		c.Tick(at(0, true))
		c.Tick(at(time.Minute, true))
		now := time.Minute + gap
		c.Tick(at(now, true))
		if v, open := openSelf(c, alarm.BlindPeriod); open != want || want && (v.Value != 5 || v.Unit != "min") {
			t.Errorf("a gap of %v: told %v, %+v", gap, open, v)
		}
		c.Tick(at(now+blindShown-1, true))
		if v, _ := openSelf(c, alarm.BlindPeriod); v.Active != want {
			t.Errorf("a gap of %v, nearly five minutes later: %v", gap, v.Active)
		}
		c.Tick(at(now+blindShown, true))
		if v, _ := openSelf(c, alarm.BlindPeriod); v.Active {
			t.Errorf("a gap of %v goes on to be told", gap)
		}
	}
	// A certificate: thirty days, a week, the moment itself.
	now := at(time.Hour, true)
	for _, c := range []struct {
		left   time.Duration
		active bool
		p      alarm.Priority
		is     alarm.FactID
		days   float64
	}{
		{month, false, alarm.Note, alarm.FactCertEnds, 30}, {month - time.Second, true, alarm.Note, alarm.FactCertEnds, 30},
		{7 * 24 * time.Hour, true, alarm.Note, alarm.FactCertEnds, 7}, {7*24*time.Hour - time.Second, true, alarm.Today, alarm.FactCertEnds, 7},
		{time.Second, true, alarm.Today, alarm.FactCertEnds, 0}, {0, true, alarm.Today, alarm.FactCertEnded, 0}, {-month, true, alarm.Today, alarm.FactCertEnded, 0},
	} {
		got := certificateDue(now, Certificate{"broker", now.Wall.Add(c.left)})
		if got.Active != c.active || got.Priority != c.p || got.Is.ID != c.is || math.Abs(got.Value-c.days) > 1e-4 || got.Limit != 30 {
			t.Errorf("%v left: %+v", c.left, got)
		}
	}
	// Of a long reason the first lines are told, and how many more there are.
	for n, want := range map[int][2]int{1: {1, 0}, 3: {3, 0}, 5: {4, 2}} {
		got := firstLines(strings.Repeat("x\n", n), 3)
		if len(got) != want[0] || got[len(got)-1].Count != want[1] {
			t.Errorf("%d lines: %+v", n, got)
		}
	}
	// Who was put on duty is so until the moment named, and longer where nobody knows it.
	cfg := &configs.Config{People: []configs.Person{{ID: "ann"}, {ID: "ben"}}}
	for _, c := range []struct {
		person string
		left   time.Duration
		synced bool
		want   string
	}{{"ben", 1, true, "ben"}, {"ben", 0, true, ""}, {"ben", -1, false, "ben"}, {"gone", time.Hour, true, ""}} {
		now.Synced = c.synced
		if got := (duty{Person: c.person, Until: now.Wall.Add(c.left)}).at(now, cfg); got.First != c.want || got.Until.IsZero() != (c.person == "gone") {
			t.Errorf("%+v: %+v", c, got)
		}
	}
	// Twenty refusals are on record at once, and one more every ten seconds.
	var r refusals
	for range refusedAtOnce {
		if len(r.pass(now, event.Event{})) != 1 {
			t.Fatal("one of the first is left out")
		}
	}
	if r.pass(now, event.Event{}) != nil || r.flush(now.Add(refusedEvery-1)) != nil {
		t.Error("there is room for more")
	}
	if got := r.flush(now.Add(refusedEvery)); len(got) != 1 || r.more != 0 || r.used != refusedAtOnce {
		t.Errorf("after ten seconds: %v", got)
	}
	r.pass(now.Add(refusedEvery), event.Event{})
	r.pass(now.Add(refusedEvery), event.Event{})
	if got := r.pass(now.Add(2*refusedEvery), event.Event{}); len(got) != 1 || got[0].Body != (event.Refused{More: 2}) {
		t.Errorf("with those that were left out: %+v", got)
	}
}

// A channel that an earlier run told to be stalled is so until it was seen to work, which
// what it took over shows.
func TestStalls_UntilItWorks(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(*Core)
		want bool // it is still told
	}{
		"nothing was heard":      {func(*Core) {}, true},
		"another channel works":  {func(c *Core) { c.ChannelState(at(time.Minute, true), "mail", nil) }, true},
		"it lost its connection": {func(c *Core) { c.ChannelState(at(time.Minute, true), "mqtt", errors.New("gone")) }, true},
		"it is connected":        {func(c *Core) { c.ChannelState(at(time.Minute, true), "mqtt", nil) }, false},
		"it took something over": {func(c *Core) { c.Result(at(time.Minute, true), alert.SendResult{Delivery: "n/1|una|mqtt"}) }, false},
		"it did not": {func(c *Core) {
			c.Result(at(time.Minute, true), alert.SendResult{Delivery: "n/1|una|mqtt", Err: errors.New("away")})
		}, true},
	} {
		core := New(decode(t, string(configs.Demo())), nil)
		core.Tick(at(0, true))
		told := alarm.Key{Alarm: alarm.DeliveryStalled, Subject: "mqtt"}
		core.Set(at(time.Second, true), rules.Condition{Key: told, Active: true, Priority: alarm.Today})
		c.do(core)
		core.Tick(at(time.Minute+time.Second, true))
		if got := core.active(told); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
