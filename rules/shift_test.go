package rules

import (
	"slices"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// beside is a probe whose temperature stands by so much beside the calm air, and its
// humidity by so much.
func (r *rig) beside(id string, celsius, percent float64) weather {
	return r.with(id, func() *sensors.Reading {
		x := r.calm(id, r.now)
		x.Temperature += sensors.CelsiusOf(celsius)
		x.Humidity += sensors.PercentOf(percent)
		return x
	})
}

// Air that is warmed by 1 °C without more water loses 6 % of its relative humidity
// (Magnus; WMO No. 8, annex 4.B): 3 °C take 14 points of 85 %. A probe that moves
// without that from one reading to the next has moved alone.
func TestShift_IsTheProbe(t *testing.T) {
	for _, c := range []struct {
		name             string
		celsius, percent float64
		told             bool
	}{
		{"3 °C up, as humid as before", 3, 0, true},
		{"3 °C down, as humid as before", -3, 0, true},
		{"3 °C up, and as dry as it makes air", 3, -14, false},
		{"1.5 °C up", 1.5, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, rigConfig(t, 4, ""))
			r.now = 11 * time.Hour
			r.run(2*time.Hour, r.calm)
			r.run(30*time.Minute, r.beside("p1", c.celsius, c.percent))
			want := ""
			if c.told {
				want = "NORM>UNACK"
			}
			r.want(alarm.ProbeJump, "p1", want)
			if !c.told {
				return
			}
			if x := r.last(alarm.ProbeJump); x.At.Mono > 13*time.Hour+10*time.Minute || x.Priority != alarm.Today {
				t.Errorf("told at %v, %s: %s", x.At.Mono, x.Priority, x.Text)
			}
			r.run(time.Hour, r.calm) // it is plugged in firmly
			if got := r.events(alarm.ProbeJump, "p1"); got == want {
				t.Errorf("%s, and it stays though the probe is back", got)
			}
		})
	}
}

// A step of a probe of five-minute polls is told within half an hour, once two days have shown
// that its air makes none; where a vent made such steps each day it is the air.
func TestShift_OfSlowPolls(t *testing.T) {
	for _, vented := range []bool{false, true} {
		cfg := rigConfig(t, 4, "")
		const slow = 5 * time.Minute
		cfg.Room.Poll = configs.Duration(slow)
		r := newRig(t, cfg)
		run := func(d time.Duration, celsius, percent float64) {
			for end := r.now + d; r.now < end; r.now += slow {
				for i, p := range cfg.Probes {
					x := r.calm(p.ID, r.now)
					noise := 0.01 * float64((int(r.now/slow)+i)%5)
					x.Temperature, x.Humidity = x.Temperature+sensors.CelsiusOf(noise), x.Humidity+sensors.PercentOf(noise)
					if p.ID == "p1" {
						x.Temperature, x.Humidity = x.Temperature+sensors.CelsiusOf(celsius), x.Humidity+sensors.PercentOf(percent)
					}
					r.step(*x)
				}
				r.tick()
			}
		}
		for range 3 {
			run(3*time.Hour, 0, 0)
			if vented {
				run(2*time.Hour, -3, 0)
			} else {
				run(2*time.Hour, 0, 0)
			}
			run(19*time.Hour, 0, 0)
		}
		before := r.now
		r.log = nil
		run(3*time.Hour, 0, 0)
		run(time.Hour, 3, 0)
		want := "NORM>UNACK"
		if vented {
			want = ""
		}
		if r.want(alarm.ProbeJump, "p1", want); !vented {
			if x := r.last(alarm.ProbeJump); x.At.Mono > before+3*time.Hour+35*time.Minute {
				t.Errorf("told after %v", x.At.Mono-before-3*time.Hour)
			}
		}
	}
}

// A probe that lay in ice while it was out of service and hangs in its tank again, before or
// after it serves, has moved by a keeper's hand. A step of an hour later is its own.
func TestShift_NotOfACalibration(t *testing.T) {
	for _, late := range []time.Duration{-15 * time.Minute, 2 * time.Minute} { // back in the tank, after it serves
		r := newRig(t, rigConfig(t, 4, ""))
		r.now = 11 * time.Hour
		r.run(2*time.Hour, r.calm)
		if err := r.act(Action{Kind: TakeOut, Key: alarm.Key{Subject: "p1"}, By: "una", For: 24 * time.Hour}); err != nil {
			t.Fatal(err)
		}
		ice := r.with("p1", func() *sensors.Reading { x := r.good("p1", 0.01*float64(int(r.now/poll)%3), 95); return &x })
		r.run(30*time.Minute, ice)
		if late < 0 {
			r.run(-late, r.calm)
		}
		if err := r.act(Action{Kind: ReturnToService, Key: alarm.Key{Subject: "p1"}, By: "una"}); err != nil {
			t.Fatal(err)
		}
		r.run(max(late, 0), ice)
		r.log = nil
		r.run(time.Hour, r.calm)
		r.want(alarm.ProbeJump, "p1", "")
		r.run(20*time.Minute, r.beside("p1", 3, 0))
		r.want(alarm.ProbeJump, "p1", "NORM>UNACK")
	}
}

// What warms all is no probe's fault, and neither is what its neighbour saw.
func TestShift_OfSeveral(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 11 * time.Hour
	r.run(2*time.Hour, r.calm)
	r.run(time.Hour, func(id string, at time.Duration) *sensors.Reading {
		x := r.calm(id, at)
		if id != "room" {
			x.Temperature += sensors.CelsiusOf(3)
		}
		return x
	})
	r.want(alarm.ProbeJump, "", "")
}

// A probe that was told to stand beside the air is believed all the same: heat after
// it, and heat that nobody saw come.
func TestShift_HidesNoHeat(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 11 * time.Hour
	r.run(2*time.Hour, r.calm)
	r.run(30*time.Minute, r.beside("p1", 3, 0))
	r.want(alarm.ProbeJump, "p1", "NORM>UNACK")
	t.Run("seen", func(t *testing.T) {
		for add := 3.0; add < 8; add += 0.02 {
			r.run(poll, r.beside("p1", add, -3*add))
		}
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
	t.Run("after a gap", func(t *testing.T) {
		r := newRig(t, rigConfig(t, 4, ""))
		r.now = 11 * time.Hour
		r.run(2*time.Hour, r.calm)
		r.run(30*time.Minute, r.beside("p1", 3, 0))
		r.off(5*time.Minute, true)
		r.run(3*poll, r.hot(46, "p1"))
		r.want(alarm.LethalLimit, "e1", "NORM>UNACK")
	})
}

// A tank that halogen lamps keep 6 °C above the room falls by half of that when its door
// is opened, and dry air comes in with the cold: no humidity left to tell a probe by.
func TestShift_NotOfADoor(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.now = 11 * time.Hour
	hot := func(celsius, percent float64) weather {
		return func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			switch id {
			case "room":
				x.Temperature -= sensors.CelsiusOf(4)
			case "p1":
				x.Temperature += sensors.CelsiusOf(celsius)
				x.Humidity += sensors.PercentOf(percent)
			}
			return x
		}
	}
	r.run(2*time.Hour, hot(0, 0))
	r.run(5*time.Minute, hot(-3, 0))
	r.run(time.Hour, hot(0, 0))
	r.want(alarm.ProbeJump, "", "")
}

// A dead element is no cold: below freezing beside mild neighbours a probe is told as what
// it is, within two polls, and nobody wakes for an enclosure that it says is frozen. Where
// it sank to that, or all did, or nobody is beside it, cold is believed.
func TestCold_ADeadElement(t *testing.T) {
	falling := func(r *rig, ids ...string) weather { // by 6 °C an hour
		from := r.now
		return func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if slices.Contains(ids, id) {
				x.Temperature -= sensors.CelsiusOf(6 * (at - from).Hours())
			}
			return x
		}
	}
	dead := func(r *rig, ids ...string) weather {
		return func(id string, at time.Duration) *sensors.Reading {
			x := r.calm(id, at)
			if slices.Contains(ids, id) {
				x.Temperature = -4000
			}
			return x
		}
	}
	for name, c := range map[string]struct {
		tanks int
		how   func(*rig, ...string) weather
		ids   []string
		cold  bool
	}{
		"dead":             {3, dead, []string{"p2"}, false},
		"sank":             {3, falling, []string{"p2"}, true},
		"all sank":         {3, falling, []string{"p1", "p2", "p3", "room"}, true},
		"nobody beside it": {1, dead, []string{"p1", "room"}, true},
	} {
		r := newRig(t, rigConfig(t, c.tanks, ""))
		r.run(time.Hour, r.calm)
		weather := c.how(r, c.ids...)
		r.run(20*time.Second, weather)
		told := r.states[alarm.Key{Alarm: alarm.ProbeJump, Subject: c.ids[0]}] == alarm.Unack
		r.run(5*time.Hour, weather)
		cold := false
		for _, x := range r.log {
			cold = cold || x.Key.Alarm == alarm.BelowBand && x.Priority == alarm.Wake
		}
		if cold != c.cold || told == c.cold {
			t.Errorf("%s: cold wakes %v, its probe is told %v", name, cold, told)
		}
	}
}
