package daemon

import (
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

// openSelf returns the alarm about dewline itself of that name, if it is open.
func openSelf(c *Core, id rules.AlarmID) (rules.AlarmView, bool) {
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
	c := NewCore(decode(t, string(configs.Demo())), nil)
	c.Tick(at(0, false))
	c.Tick(at(unsetAfter-time.Second, false))
	if _, open := openSelf(c, rules.ClockUnset); open {
		t.Error("said before a board had its time to set the clock")
	}
	c.Tick(at(unsetAfter, false))
	if _, open := openSelf(c, rules.ClockUnset); !open {
		t.Fatal("an unset clock is not said")
	}
	for s := range 120 {
		c.Tick(at(unsetAfter+time.Duration(s)*time.Second, true))
	}
	if v, _ := openSelf(c, rules.ClockUnset); v.Active {
		t.Error("still active after the clock was set")
	}
}

func TestClockStepGoesIntoTheJournal(t *testing.T) {
	c := NewCore(decode(t, string(configs.Demo())), nil)
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
	for _, j := range e.Journal {
		if j.Kind == kind {
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
	c := NewCore(cfg, nil)
	c.Tick(at(every, true))
	if _, open := openSelf(c, rules.DrillOverdue); open {
		t.Error("due at once")
	}
	c.Tick(at(every+time.Second, true))
	v, open := openSelf(c, rules.DrillOverdue)
	if !open || v.Priority != rules.Note || !strings.Contains(v.Text, "30 days") {
		t.Errorf("after 30 days: open %v, %+v", open, v)
	}
	id, _, err := c.Drill(at(every+time.Minute, true), "", "test")
	if err != nil {
		t.Fatal(err)
	}
	c.Tick(at(every+2*time.Minute, true))
	if v, _ := openSelf(c, rules.DrillOverdue); !v.Active {
		t.Error("a drill that nobody has acknowledged yet counts as held")
	}
	if _, err := c.AcknowledgeNotice(at(every+3*time.Minute, true), id, 0, "una", ""); err != nil {
		t.Fatal(err)
	}
	for s := range 300 {
		c.Tick(at(every+3*time.Minute+time.Duration(s)*time.Second, true))
	}
	if v, _ := openSelf(c, rules.DrillOverdue); v.Active {
		t.Error("still due after a drill")
	}
}

func TestStateSurvivesItsEncoding(t *testing.T) {
	cfg := decode(t, string(configs.Demo()))
	c := NewCore(cfg, nil)
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
