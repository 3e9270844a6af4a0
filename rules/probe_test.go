package rules

import (
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

func TestProbe_Silent(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, "", 2))
	r.run(10*time.Minute, r.calm)
	r.run(30*time.Second, r.with("p1", func() *sensors.Reading { return nil }))
	r.want(alarm.ProbeSilent, "p1", "")
	r.run(30*time.Second, r.with("p1", func() *sensors.Reading { return nil }))
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	if x := r.last(alarm.ProbeSilent); !strings.Contains(x.Text, "blind") || x.Priority != alarm.Today {
		t.Error(x.Text)
	}
	r.run(5*time.Minute, r.calm)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK UNACK>RTNUN")
	r.run(5*time.Minute, r.with("q2", func() *sensors.Reading { return nil }))
	if x := r.last(alarm.ProbeSilent); strings.Contains(x.Text, "blind") {
		t.Errorf("the enclosure has another probe: %s", x.Text)
	}
}

func TestProbe_NeverSeenIsSilentToo(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(2*time.Minute, r.with("p1", func() *sensors.Reading { return nil }))
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
}

func TestProbe_SlowRhythmIsNotSilence(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	for range 60 {
		for _, p := range r.cfg.Probes {
			r.step(*r.calm(p.ID, r.now))
		}
		for range 6 {
			r.tick()
			r.now += poll
		}
	}
	r.quiet()
}

func TestProbe_Frozen(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, "", 1))
	r.now = 6 * time.Hour
	frozen := func(id string, at time.Duration) *sensors.Reading {
		x := r.calm(id, at)
		if id == "q1" {
			x.Temperature, x.Humidity = 2100, 8600
		}
		return x
	}
	r.run(5*time.Hour+50*time.Minute, frozen)
	r.want(alarm.ProbeFrozen, "q1", "")
	r.run(20*time.Minute, frozen)
	r.want(alarm.ProbeFrozen, "q1", "NORM>UNACK")
	r.want(alarm.ProbeFrozen, "p1", "")
	r.run(10*time.Minute, r.calm)
	r.want(alarm.ProbeFrozen, "q1", "NORM>UNACK UNACK>RTNUN")
}

// A probe of half degrees that has not moved since the start is not frozen because others
// have moved by one step, which is no more than it can hide. By more it is.
func TestProbe_FrozenFromTheStart(t *testing.T) {
	for _, c := range []struct {
		steps int32
		want  string
	}{{1, ""}, {3, "NORM>UNACK"}} {
		r := newRig(t, rigConfig(t, 4, ""))
		r.now = 0
		r.run(8*time.Hour, func(id string, at time.Duration) *sensors.Reading {
			x := r.good(id, 22, 88)
			if id != "p2" && at > 3*time.Hour {
				x.Temperature += sensors.CentiCelsius(50 * min(c.steps, int32((at-2*time.Hour)/time.Hour)))
			}
			return &x
		})
		r.want(alarm.ProbeFrozen, "", c.want)
	}
}

func TestProbe_Disagrees(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, "", 1))
	r.now = 13 * time.Hour
	off := func(id string, at time.Duration) *sensors.Reading {
		x := r.calm(id, at)
		if id == "q1" {
			x.Temperature -= 220
		}
		return x
	}
	r.run(40*time.Minute, off)
	if got := r.events(alarm.ProbeDisagrees, ""); got != "NORM>UNACK" {
		t.Errorf("%q", got)
	}
	r.run(45*time.Minute, r.calm)
	if got := r.events(alarm.ProbeDisagrees, ""); got != "NORM>UNACK UNACK>RTNUN" {
		t.Errorf("%q", got)
	}
}

func TestProbe_WetAndJumping(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.run(10*time.Minute, r.calm)
	r.run(time.Minute, r.with("p1", func() *sensors.Reading {
		x := r.suspect("p1", 24, sensors.PinnedWet)
		x.Humidity = 10000
		return &x
	}))
	r.want(alarm.ProbeWet, "p1", "NORM>UNACK")
	r.run(10*time.Minute, r.calm)
	r.want(alarm.ProbeWet, "p1", "NORM>UNACK UNACK>RTNUN")
	for i := range 3 {
		r.want(alarm.ProbeJump, "p1", "")
		x := r.suspect("p1", 28+float64(i), sensors.Jump)
		r.step(x)
		r.now += poll
		r.run(time.Minute, r.calm)
	}
	r.want(alarm.ProbeJump, "p1", "NORM>UNACK")
	r.run(2*time.Hour, r.calm)
	r.want(alarm.ProbeJump, "p1", "NORM>UNACK UNACK>RTNUN")
}

func TestProbe_Overdue(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	r.now += 181 * 24 * time.Hour
	r.run(time.Minute, r.calm)
	r.want(alarm.ProbeOverdue, "p1", "NORM>UNACK")
	if x := r.last(alarm.ProbeOverdue); x.Priority != alarm.Note {
		t.Errorf("%s", x.Priority)
	}
	r.take(r.e.SetCalibration(r.instant(), room.Calibration{Probe: "p1", Humidity: r.instant().Wall, Temperature: r.instant().Wall}))
	r.want(alarm.ProbeOverdue, "p1", "NORM>UNACK UNACK>NORM")
}

// The humidity is calibrated all the time, the temperature never: after a year
// that is due too, and not a day before.
func TestProbe_OverdueTemperature(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Minute, r.calm)
	began := r.instant().Wall
	for _, c := range []struct {
		days int
		want string
	}{{350, ""}, {358, ""}, {366, "NORM>UNACK"}} {
		r.now = time.Duration(c.days) * 24 * time.Hour
		r.take(r.e.SetCalibration(r.instant(), room.Calibration{Probe: "p1", Humidity: r.instant().Wall, Temperature: began}))
		r.run(time.Minute, r.calm)
		r.want(alarm.ProbeOverdue, "p1", c.want)
	}
	if x := r.last(alarm.ProbeOverdue); !strings.Contains(x.Text, "temperature") {
		t.Error(x.Text)
	}
}
