package rules

import (
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/room"
	"dewline/sensors"
)

// nights lets whole weeks of nights pass at a reading every ten minutes, in a
// rack of seven enclosures that differ.
func (r *rig) nights(weeks int, off func(id string) (celsius, percent float64)) {
	r.t.Helper()
	for end := r.now + time.Duration(weeks)*7*24*time.Hour; r.now < end; r.now += 10 * time.Minute {
		for i, p := range r.cfg.Probes {
			x := *r.calm(p.ID, r.now)
			t, h := off(p.ID)
			x.Temperature += sensors.CelsiusOf(0.1*float64(i) + t)
			x.Humidity += sensors.PercentOf(0.5*float64(i) + h)
			r.step(x)
		}
		r.tick()
	}
}

func rackRig(t *testing.T) *rig {
	cfg := rigConfig(t, 7, "")
	for i := range cfg.Probes {
		cfg.Probes[i].Family = "simulated"
	}
	cfg.Room.Poll *= 60 // as the readings come
	cfg.Rules.SilentAfter *= 60
	return newRig(t, cfg)
}

// A probe that creeps against the rack by night is due before its time; its
// calibration settles that, and starts the comparison anew.
func TestDrift_BringsTheCalibrationForward(t *testing.T) {
	r := rackRig(t)
	creep := 0.0
	off := func(id string) (float64, float64) {
		if id == "p7" {
			return 0, creep
		}
		return 0, 0
	}
	r.nights(5, off)
	creep = 1.5
	r.nights(3, off)
	r.quiet()
	creep = 3.5
	r.nights(1, off)
	r.quiet() // one odd week says nothing
	r.nights(2, off)
	r.want(alarm.ProbeOverdue, "p7", "NORM>UNACK")
	x := r.last(alarm.ProbeOverdue)
	if !strings.Contains(x.Text, "+3.5 % against the rest of the rack") || x.Priority != alarm.Note || x.Cause.ID != "p7" {
		t.Errorf("%s %v: %s", x.Priority, x.Cause, x.Text)
	}
	r.take(r.e.SetCalibration(r.instant(), room.Calibration{Probe: "p7", Humidity: r.instant().Wall}))
	r.want(alarm.ProbeOverdue, "p7", "NORM>UNACK UNACK>NORM")
	creep = 0
	r.nights(7, off)
	r.want(alarm.ProbeOverdue, "p7", "NORM>UNACK UNACK>NORM")
	r.quiet(alarm.ProbeOverdue)
}

func TestDrift_OfATemperature(t *testing.T) {
	r := rackRig(t)
	creep := 0.0
	off := func(id string) (float64, float64) {
		if id == "p1" {
			return -creep, 0
		}
		return 0, 0
	}
	r.nights(5, off)
	creep = 0.6
	r.nights(3, off)
	r.want(alarm.ProbeOverdue, "p1", "NORM>UNACK")
	if x := r.last(alarm.ProbeOverdue); !strings.Contains(x.Text, "-0.6 °C against") {
		t.Errorf("%s", x.Text)
	}
	r.quiet(alarm.ProbeOverdue)
}

// The whole rack moves with the seasons: that is no probe's drift. Nor is what
// nobody can compare with anything.
func TestDrift_SeasonsAndLonelyProbesAreNone(t *testing.T) {
	r := rackRig(t)
	r.nights(5, func(string) (float64, float64) { return 0, 0 })
	r.nights(5, func(string) (float64, float64) { return -2, 6 })
	r.quiet()

	cfg := rigConfig(t, 2, "")
	cfg.Room.Poll *= 60
	cfg.Rules.SilentAfter *= 60
	lone := newRig(t, cfg)
	creep := 0.0
	off := func(id string) (float64, float64) { return 0, map[string]float64{"p1": creep}[id] }
	lone.nights(5, off)
	creep = 8
	lone.nights(4, off)
	lone.quiet()
}

// Air cannot stay wetter than what condenses on the warmest surface: a canopy
// probe that says so reads too high, and its humidity takes no part.
func TestDew_AboveEverySurface(t *testing.T) {
	for _, c := range []struct {
		canopy, humidity float64
		want             string
	}{
		{28, 80, ""}, // dew point 24.2 °C by the Magnus formula, litter at 24
		{28, 96, "NORM>UNACK"},
		{24.5, 99.4, ""},
	} {
		r := newRig(t, rigConfig(t, 2, "", 1))
		r.now = 13 * time.Hour
		air := r.with("q1", func() *sensors.Reading {
			noise := 0.01 * float64(int(r.now/poll)%3)
			x := r.good("q1", c.canopy+noise, c.humidity)
			return &x
		})
		r.run(25*time.Minute, air)
		r.want(alarm.ProbeWet, "", "")
		r.run(10*time.Minute, air)
		r.want(alarm.ProbeWet, "q1", c.want)
		r.want(alarm.ProbeWet, "p1", "")
		v := r.e.Enclosures()[0]
		if c.want == "" {
			continue
		}
		if x := r.last(alarm.ProbeWet); !strings.Contains(x.Text, "its dew point of 27.3 °C is above") || x.Cause.ID != "q1" {
			t.Errorf("%v: %s", x.Cause, x.Text)
		}
		if v.Humidity.Value > 90 || !v.Humidity.Known {
			t.Errorf("judged on %+v", v.Humidity)
		}
		if v.Temperature.Value < 28 {
			t.Errorf("the probe's heat is gone: %+v", v.Temperature)
		}
		r.run(10*time.Minute, r.calm)
		r.want(alarm.ProbeWet, "q1", "NORM>UNACK UNACK>RTNUN")
	}
}

// Heating is 70 s without a value, on purpose; but a heater that never stops is
// a silent probe.
func TestHeating_IsNoSilence(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(time.Hour, r.calm)
	heating := r.with("p1", func() *sensors.Reading { x := r.bad("p1", sensors.Heating); return &x })
	for range 3 {
		r.run(70*time.Second, heating)
		r.run(10*time.Minute, r.calm)
	}
	r.quiet()
	r.run(10*time.Minute, heating)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
}

// The loss of a probe raises its own alarm and leaves the enclosure at what the
// other says, never at the last value of the lost one.
func TestLoss_NeverTheEnclosuresTemperature(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, "", 1))
	r.now = 13 * time.Hour
	r.run(10*time.Minute, r.hold("p1", 25.5, 80))
	r.run(10*time.Minute, r.with("p1", func() *sensors.Reading { return nil }))
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	r.quiet(alarm.ProbeSilent)
	v := r.e.Enclosures()[0]
	if v.Temperature.Value > 24.2 || v.Temperature.Probe != "q1" || !v.Temperature.Known || v.Blind {
		t.Errorf("%+v", v)
	}
	r.run(10*time.Minute, func(id string, at time.Duration) *sensors.Reading {
		if id == "room" {
			return r.calm(id, at)
		}
		return nil
	})
	v = r.e.Enclosures()[0]
	if !v.Blind || v.Temperature.Known || len(v.Unknown) != 2 {
		t.Errorf("with no probe left: %+v", v)
	}
}

// A probe in a calibration jar, in ice or on the bench says nothing of its
// enclosure: neither heat nor cold nor dryness, nor a door, nor a twin at odds.
func TestOutOfService_TakesNoPart(t *testing.T) {
	for _, jar := range []struct {
		name             string
		celsius, percent float64
	}{{"ice", 0.1, 99}, {"salt", 22, 33}, {"in the sun", 41, 20}} {
		t.Run(jar.name, func(t *testing.T) {
			r := newRig(t, rigConfig(t, 1, "", 1))
			r.now = 13 * time.Hour
			r.run(2*time.Hour, r.calm)
			if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "p1"}, By: "robin", Why: "calibration", For: 72 * time.Hour}); err != nil {
				t.Fatal(err)
			}
			taken := len(r.log)
			r.run(3*time.Hour, r.hold("p1", jar.celsius, jar.percent))
			v := r.e.Enclosures()[0]
			if v.Temperature.Value < 23 || v.Temperature.Value > 25 || v.Humidity.Value < 75 || v.Blind {
				t.Errorf("%+v", v)
			}
			r.run(20*time.Minute, r.calm)
			if err := r.act(Action{Kind: ReturnToService, Key: alarm.Key{Subject: "p1"}, By: "robin"}); err != nil {
				t.Fatal(err)
			}
			r.run(2*time.Hour, r.calm)
			for _, x := range r.log[taken:] {
				if x.Key.Subject != "p1" || x.From != alarm.OutOfService {
					t.Errorf("%v %v %v>%v: %s", x.At.Mono, x.Key, x.From, x.To, x.Text)
				}
			}
			if v := r.e.Enclosures()[0]; v.Temperature.Probe == "" || !v.Temperature.Known {
				t.Errorf("%+v", v)
			}
		})
	}
}

// What a probe saw while nothing was judged is no reason to doubt it after.
func TestOutOfService_BackInHeat(t *testing.T) {
	r := newRig(t, rigConfig(t, 3, "", 1))
	r.now = 13 * time.Hour
	r.run(2*time.Hour, r.calm)
	if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "p1"}, By: "robin", Why: "calibration", For: 72 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	celsius := 24.0
	for ; celsius < 53; celsius++ {
		r.run(5*time.Minute, r.hold("p1", celsius, 80))
	}
	if err := r.act(Action{Kind: ReturnToService, Key: alarm.Key{Subject: "p1"}, By: "robin"}); err != nil {
		t.Fatal(err)
	}
	back := len(r.log)
	r.run(time.Minute, r.hold("p1", celsius, 80))
	for _, x := range r.log[back:] {
		if x.Key.Alarm == alarm.LethalLimit && x.To == alarm.Unack {
			return
		}
	}
	t.Errorf("no alarm a minute after a probe came back at %.0f °C: %+v", celsius, r.log[back:])
}

// With its only probe out of service nothing is known of an enclosure.
func TestOutOfService_OnlyProbe(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	r.now = 13 * time.Hour
	r.run(time.Hour, r.calm)
	if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "p1"}, By: "robin", Why: "calibration", For: 72 * time.Hour}); err != nil {
		t.Fatal(err)
	}
	r.run(time.Hour, r.calm)
	if v := r.e.Enclosures()[0]; !v.Blind || v.Temperature.Known {
		t.Errorf("blind %v, temperature %+v", v.Blind, v.Temperature)
	}
	if v := r.e.Enclosures()[1]; v.Blind || !v.Temperature.Known {
		t.Errorf("the neighbour: blind %v, temperature %+v", v.Blind, v.Temperature)
	}
}

// A room of four: three others outvote one that creeps by 0.2 °C a week, and it is told
// within four weeks of half a degree; none of the others is.
func TestDrift_OfOneInFour(t *testing.T) {
	cfg := rigConfig(t, 4, "")
	cfg.Room.Poll *= 60
	cfg.Rules.SilentAfter *= 60
	r := newRig(t, cfg)
	begins := r.now + 4*7*24*time.Hour
	r.nights(8, func(id string) (float64, float64) {
		if id == "p2" && r.now > begins {
			return 0.2 * (r.now - begins).Hours() / (7 * 24), 0
		}
		return 0, 0
	})
	r.want(alarm.ProbeOverdue, "p2", "NORM>UNACK")
	r.want(alarm.ProbeOverdue, "p1", "")
	r.want(alarm.ProbeOverdue, "p3", "")
	r.want(alarm.ProbeOverdue, "p4", "")
	if x := r.last(alarm.ProbeOverdue); x.Priority != alarm.Note || x.At.Mono > begins+29*24*time.Hour {
		t.Errorf("%s at %v: %s", x.Priority, x.At.Mono-begins, x.Text)
	}
}
