package rules

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

// A noisyRoom has three enclosures whose air goes its own way, and probes that tell
// it once a minute with the flaws that flaw gives them.
type noisyRoom struct {
	*rig
	judge map[string]*sensors.Judge
	rng   *rand.Rand
	fault func(id string, s *sensors.Sample) bool // false for no answer
}

func newNoisyRoom(t *testing.T) *noisyRoom {
	cfg := rigConfig(t, 3, "[[mist]]\nid = \"m\"\ntimes = [\"09:00\", \"19:00\"]\n", 1)
	cfg.Room.Poll, cfg.Rules.SilentAfter = configs.Duration(time.Minute), configs.Duration(3*time.Minute)
	n := &noisyRoom{rig: newRig(t, cfg), judge: map[string]*sensors.Judge{}, rng: rand.New(rand.NewPCG(7, 11))}
	for _, p := range cfg.Probes {
		n.judge[p.ID] = table.NewJudge(sensors.ProbeID(p.ID), "simulated")
	}
	n.now = 0
	return n
}

// air is where a probe hangs: enclosures differ by tenths of a degree and some percent.
func (n *noisyRoom) air(id string) (celsius, percent float64) {
	hour := math.Mod(n.now.Hours(), 24)
	day := 1/(1+math.Exp(-3*(hour-9))) - 1/(1+math.Exp(-3*(hour-21)))
	switch own := map[string]float64{"p1": 0, "q1": 0.1, "p2": 0.5, "p3": 0.9}[id]; id {
	case "room":
		return 20.5 + 0.5*day, 50
	default:
		return 20.8 + own + 2.6*day, 88 - 3*day - 9*own
	}
}

func (n *noisyRoom) live(d time.Duration, flaw func(id string) (celsius, percent float64)) {
	for end := n.now + d; n.now < end; n.now += time.Minute {
		for _, p := range n.cfg.Probes {
			c, h := flaw(p.ID)
			celsius, percent := n.air(p.ID)
			s := sensors.Zeros(sensors.CelsiusOf(celsius+c), sensors.PercentOf(min(100, percent+h)))
			if n.fault != nil && !n.fault(p.ID, &s) {
				n.step(n.judge[p.ID].Read(n.instant(), s, sensors.Faultf(sensors.TimedOut, "no answer")))
				continue
			}
			n.step(n.judge[p.ID].Read(n.instant(), s, nil))
		}
		n.tick()
	}
}

func (n *noisyRoom) noise(sdT, sdH, spikes float64) func(string) (float64, float64) {
	return func(string) (float64, float64) {
		wide := 1.0
		if n.rng.Float64() < spikes {
			wide = 5
		}
		return wide * sdT * n.rng.NormFloat64(), wide * sdH * n.rng.NormFloat64()
	}
}

// coarse rounds what a probe tells.
func coarse(stepT, stepH float64) func(string, *sensors.Sample) bool {
	return func(_ string, s *sensors.Sample) bool {
		s.Temperature = sensors.CelsiusOf(stepT * math.Round(s.Temperature.Celsius()/stepT))
		s.Humidity = sensors.PercentOf(stepH * math.Round(s.Humidity.Percent()/stepH))
		return true
	}
}

// Noise, coarse figures, single spikes and one probe for two enclosures are no fault
// that a probe alarm tells.
func TestProbes_QuietUnderNoise(t *testing.T) {
	skipUnderRace(t)
	for name, set := range map[string]func(n *noisyRoom) func(string) (float64, float64){
		"3 % of noise": func(n *noisyRoom) func(string) (float64, float64) { return n.noise(0.05, 3, 0.01) },
		"0.5 °C steps": func(n *noisyRoom) func(string) (float64, float64) {
			n.fault = coarse(0.5, 1)
			return n.noise(0.05, 0.3, 0)
		},
		"0.1 °C steps without noise": func(n *noisyRoom) func(string) (float64, float64) {
			n.fault = coarse(0.1, 1)
			return n.noise(0, 0, 0)
		},
		"spikes": func(n *noisyRoom) func(string) (float64, float64) { return n.noise(0.05, 0.8, 0.05) },
		"one probe for two enclosures": func(n *noisyRoom) func(string) (float64, float64) {
			var last sensors.Sample
			n.fault = func(id string, s *sensors.Sample) bool {
				switch id {
				case "p1":
					last = *s
				case "p2":
					*s = last
				}
				return true
			}
			return n.noise(0.05, 2, 0.02)
		},
	} {
		t.Run(name, func(t *testing.T) {
			n := newNoisyRoom(t)
			n.live(4*24*time.Hour, set(n))
			for _, x := range n.log {
				if strings.HasPrefix(string(x.Key.Alarm), "probe-") && x.To == alarm.Unack {
					t.Errorf("%v: %s", x.At.Mono, x.Text)
				}
			}
		})
	}
}

// Two probes that change places are told through noise, once.
func TestSwap_ToldUnderNoise(t *testing.T) {
	n := newNoisyRoom(t)
	live := n.noise(0.03, 1, 0.01)
	n.live(12*time.Hour, live)
	began := n.now
	n.fault = func(id string, s *sensors.Sample) bool {
		other := map[string]string{"p1": "p3", "p3": "p1"}[id]
		if other == "" {
			return true
		}
		celsius, percent := n.air(other)
		c, h := live("")
		*s = sensors.Zeros(sensors.CelsiusOf(celsius+c), sensors.PercentOf(percent+h))
		return n.now-began > 4*time.Minute
	}
	n.live(3*time.Hour, live)
	n.want(alarm.ProbeDisagrees, "p1", "NORM>UNACK")
	n.want(alarm.ProbeDisagrees, "p3", "NORM>UNACK")
	n.want(alarm.ProbeDisagrees, "p2", "")
}

// A probe with fine figures that stands still is told within the hour in which the
// others move, one with coarse figures is given what it takes on a calm night.
func TestProbe_FrozenByItsOwnPast(t *testing.T) {
	skipUnderRace(t)
	n := newNoisyRoom(t)
	live := n.noise(0.02, 0.2, 0)
	n.live(2*24*time.Hour+20*time.Hour, live)
	began := n.now // an hour before the lamps of this room go off
	held := sensors.Zeros(sensors.CelsiusOf(23.91), sensors.PercentOf(81.3))
	n.fault = func(id string, s *sensors.Sample) bool {
		if id == "p2" {
			*s = held
		}
		return true
	}
	n.live(2*time.Hour, live)
	n.want(alarm.ProbeFrozen, "p2", "NORM>UNACK")
	n.want(alarm.ProbeFrozen, "p1", "")
	if x := n.last(alarm.ProbeFrozen); x.At.Mono-began > 2*time.Hour || x.Value < 20 || x.Limit > 60 {
		t.Errorf("after %v: %v of %v min", x.At.Mono-began, x.Value, x.Limit)
	}
}

// Air that is near saturation all day is no wet probe, and its humidity is told; a
// probe that falls into water is wet until it is dry, and not silent.
func TestWetProbe_NotInWetAir(t *testing.T) {
	skipUnderRace(t)
	n := newNoisyRoom(t)
	damp := func(id string) (float64, float64) {
		if id == "room" {
			return 0, 0
		}
		_, percent := n.air(id)
		hour := math.Mod(n.now.Hours(), 24)
		return 0.02 * n.rng.NormFloat64(), 99.4 + 1.2*math.Sin(hour*math.Pi/12) + 0.2*n.rng.NormFloat64() - percent
	}
	n.live(4*24*time.Hour, damp)
	for _, x := range n.log {
		if strings.HasPrefix(string(x.Key.Alarm), "probe-") && x.To == alarm.Unack {
			t.Errorf("%v: %s", x.At.Mono, x.Text)
		}
	}
	for _, v := range n.e.Enclosures() {
		if !v.Humidity.Known || v.Humidity.Doubt != "" {
			t.Errorf("%s: %+v", v.ID, v.Humidity)
		}
	}

	n = newNoisyRoom(t)
	live := n.noise(0.02, 0.2, 0)
	n.live(36*time.Hour, live)
	n.fault = func(id string, s *sensors.Sample) bool {
		if id == "p2" {
			if s.Humidity = 10000; n.now > 46*time.Hour && n.rng.IntN(8) == 0 {
				s.Humidity = 9930
			}
		}
		return true
	}
	n.live(12*time.Hour, live)
	n.want(alarm.ProbeWet, "p2", "NORM>UNACK")
	n.want(alarm.ProbeSilent, "p2", "")
	n.fault = nil
	n.live(3*time.Hour, live)
	n.want(alarm.ProbeWet, "p2", "NORM>UNACK UNACK>RTNUN")
	n.want(alarm.ProbeSilent, "p2", "")
}

// Probes that change places twenty minutes after a door was open are told within the hour
// or two; a door that is shut as another opens never is, for both go back.
func TestSwap_NearADoor(t *testing.T) {
	for name, exchange := range map[string]bool{"exchanged": true, "two doors": false} {
		t.Run(name, func(t *testing.T) {
			n := newNoisyRoom(t)
			live := n.noise(0.03, 1, 0.01)
			n.live(12*time.Hour, live)
			began := n.now
			n.fault = func(id string, s *sensors.Sample) bool {
				since := n.now - began
				celsius, percent := n.air(id)
				mine, percentMine := celsius, percent
				other, percentOther := n.air(map[string]string{"p1": "p3", "p3": "p1"}[id])
				open := func(from, to time.Duration) bool { return since >= from && since < to }
				switch {
				case id != "p1" && id != "p3":
					return true
				case exchange && since >= 25*time.Minute:
					mine, percentMine = other, percentOther
				case id == "p1" && open(0, 5*time.Minute), id == "p3" && !exchange && open(5*time.Minute, 12*time.Minute):
					mine, percentMine = mine-1.2, percentMine-18
				}
				c, h := live("")
				*s = sensors.Zeros(sensors.CelsiusOf(mine+c), sensors.PercentOf(percentMine+h))
				return true
			}
			n.live(3*time.Hour, live)
			want := map[bool]string{true: "NORM>UNACK", false: ""}[exchange]
			n.want(alarm.ProbeDisagrees, "p1", want)
			n.want(alarm.ProbeDisagrees, "p3", want)
			n.want(alarm.ProbeDisagrees, "p2", "")
		})
	}
}
