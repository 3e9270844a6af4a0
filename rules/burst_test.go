package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// bursts loses a share of the readings of all probes in rows whose lengths in seconds a
// law draws. What comes between is exponential.
func bursts(what weather, seed uint64, share float64, length func(*rand.Rand) float64) weather {
	rng := rand.New(rand.NewPCG(seed, 2))
	mean := 0.0
	for range 2000 {
		mean += length(rng) / 2000
	}
	until, lost := map[string]time.Duration{}, map[string]bool{}
	return func(id string, at time.Duration) *sensors.Reading {
		for at >= until[id] {
			lost[id] = !lost[id]
			span := length(rng)
			if !lost[id] {
				span = rng.ExpFloat64() * mean * (1 - share) / share
			}
			until[id] = max(until[id], at-time.Hour) + time.Duration(span*float64(time.Second))
		}
		if lost[id] {
			return nil
		}
		return what(id, at)
	}
}

// How long a burst lasts, in seconds, after laws that share no form: walls, people and
// other radios follow none.
func burstLaws() map[string]func(*rand.Rand) float64 {
	return map[string]func(*rand.Rand) float64{
		"one law":     func(r *rand.Rand) float64 { return 60 * r.ExpFloat64() },
		"even":        func(r *rand.Rand) float64 { return 5 + 295*r.Float64() },
		"long tail":   func(r *rand.Rand) float64 { return 15 * math.Exp(1.1*r.NormFloat64()) },
		"minutes":     func(r *rand.Rand) float64 { return 150 * r.ExpFloat64() },
		"mostly ones": func(r *rand.Rand) float64 { return rare(r, 40, 8, 200*math.Exp(0.4*r.NormFloat64())) },
		"two kinds":   func(r *rand.Rand) float64 { return rare(r, 12, 15, 150+120*r.Float64()) },
	}
}

func rare(r *rand.Rand, one int, often, seldom float64) float64 {
	if r.IntN(one) > 0 {
		return often
	}
	return seldom
}

// Links that lose readings in bursts and still watch are a note each, and an alarm once
// or twice until that is known; a probe that falls silent is told as soon as its bursts
// allow, and wakes nobody meanwhile.
func TestSilence_Bursts(t *testing.T) {
	for name, law := range burstLaws() {
		for _, lost := range []float64{0.2, 0.6} {
			r := newRig(t, rigConfig(t, 2, ""))
			air := bursts(r.calm, 21, lost, law)
			r.run(24*time.Hour, air)
			if n := r.raises(alarm.ProbeSilent, alarm.Today); n > 5*3 {
				t.Errorf("%s, %v lost: three probes are told silent %d times on the first day", name, lost, n)
			}
			r.reborn()
			first := len(r.log)
			r.run(24*time.Hour, air)
			later := *r
			later.log = r.log[first:]
			if n := later.raises(alarm.ProbeSilent, alarm.Today); n > 2*3 {
				t.Errorf("%s, %v lost: three probes are told silent %d times on the second day", name, lost, n)
			}
			if n := r.raises(alarm.ProbeLossy, alarm.Note); n < 3 || n > 4 {
				t.Errorf("%s, %v lost: %d notes of three poor links", name, lost, n)
			}
			if r.woken() > 0 {
				t.Errorf("%s, %v lost: somebody is woken", name, lost)
			}
			r.run(22*time.Minute, without(air, "p2"))
			if s := r.states[alarm.Key{Alarm: alarm.ProbeSilent, Subject: "p2"}]; s != alarm.Unack {
				t.Errorf("%s, %v lost: dead for 22 minutes: %v", name, lost, s)
			}
		}
	}
}

// A poor link is told once while it comes and goes, is over two hours after it was last
// silent for longer than it is used to, and a good probe that was unplugged is over as soon as it speaks.
func TestSilence_ComesAndGoes(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	third := func(id string, at time.Duration) *sensors.Reading {
		if id == "p1" && at%(30*time.Second) == 0 {
			return nil
		}
		return r.calm(id, at)
	}
	r.run(6*time.Hour, third)
	for range 6 { // a quarter of an hour each
		r.run(12*time.Minute, without(third, "p1"))
		r.run(3*time.Minute, third)
	}
	r.run(20*time.Minute, third)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	r.run(105*time.Minute, third)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK UNACK>RTNUN")
	r.run(5*time.Minute, without(third, "p2"))
	r.run(3*time.Minute, third)
	r.want(alarm.ProbeSilent, "p2", "NORM>UNACK UNACK>RTNUN")
	r.want(alarm.ProbeLossy, "p2", "")
}
