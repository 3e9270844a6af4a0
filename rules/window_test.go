package rules

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// What is past a limit for most of the time is told within the hour, and once; of
// what is a little inside nothing is told. The floor is 70 %, the day 22-26 °C.
// Restarts in between change nothing.
func TestLimits_JudgedByWindows(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		name  string
		alarm alarm.ID
		value func(since time.Duration) (celsius, percent float64)
		told  bool
	}{
		{"dry for 9 of 10 min", alarm.HumidityFloor, func(d time.Duration) (float64, float64) {
			if d%(10*time.Minute) < 9*time.Minute {
				return 24, 50
			}
			return 24, 76
		}, true},
		{"69 % with sd 1 %", alarm.HumidityFloor, func(time.Duration) (float64, float64) { return 24, 69 + rng.NormFloat64() }, true},
		{"71.5 % with sd 1 %", alarm.HumidityFloor, func(time.Duration) (float64, float64) { return 24, 71.5 + rng.NormFloat64() }, false},
		{"27.4 °C, a cool minute each half hour", alarm.AboveBand, func(d time.Duration) (float64, float64) {
			if d%(30*time.Minute) < 29*time.Minute {
				return 27.4, 85
			}
			return 25.9, 85
		}, true},
		{"25.7 °C with sd 0.2 °C", alarm.AboveBand, func(time.Duration) (float64, float64) { return 25.7 + 0.2*rng.NormFloat64(), 85 }, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := newRig(t, rigConfig(t, 1, ""))
			r.now = 11 * time.Hour
			r.run(time.Hour, r.calm)
			began, minutes := r.now, 0
			say := r.with("p1", func() *sensors.Reading {
				celsius, percent := c.value(r.now - began)
				x := r.good("p1", celsius, percent+0.01*rng.Float64())
				return &x
			})
			for ; r.now-began < 5*time.Hour; minutes++ {
				r.run(time.Minute, say)
				if minutes%20 == 7 {
					r.reborn()
				}
			}
			got, first := 0, time.Duration(0)
			for _, x := range r.log {
				if x.Key.Alarm == c.alarm && x.To == alarm.Unack && x.From != x.To {
					if got++; got == 1 {
						first = x.At.Mono - began
					}
				}
			}
			if c.told && (got != 1 || first > time.Hour) || !c.told && got > 0 {
				t.Errorf("told %d times, first after %v", got, first)
			}
		})
	}
}
