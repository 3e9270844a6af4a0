package rules

import (
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
)

// A humidity element that dies leaves a probe that still tells the
// temperature: heat is judged on, and somebody hears that the floor is not.
func TestProbe_HumidityGone(t *testing.T) {
	for name, spoil := range map[string]func(*sensors.Reading){
		"out of range": func(x *sensors.Reading) { x.Quality, x.Reason = sensors.Suspect, sensors.OutOfRange },
		"not there":    func(*sensors.Reading) {},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t, rigConfig(t, 2, "", 2))
			r.run(10*time.Minute, r.calm)
			broken := r.with("p1", func() *sensors.Reading {
				x := r.calm("p1", r.now)
				x.Has, x.Humidity = sensors.HasTemperature, 0
				spoil(x)
				return x
			})
			r.run(20*time.Second, broken)
			r.want(alarm.ProbeSilent, "p1", "")
			r.run(2*time.Minute, broken)
			r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
			if x := r.last(alarm.ProbeSilent); !strings.Contains(x.Text, "humidity") || strings.Contains(x.Text, "blind") {
				t.Error(x.Text)
			}
			if v := r.e.Enclosures()[0]; !v.Temperature.Known || v.Humidity.Known {
				t.Errorf("temperature known %v, humidity known %v", v.Temperature.Known, v.Humidity.Known)
			}
			for _, v := range r.e.Probes() {
				if v.ID == "p1" && v.Fresh && (v.Humidity != nil || v.Temperature == nil) {
					t.Errorf("the last humidity is shown as a present one: %+v", v)
				}
			}
			r.run(time.Hour, broken)
			r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
			// A heater pulse in between is no recovery.
			r.run(time.Minute, r.with("p1", func() *sensors.Reading {
				x := r.calm("p1", r.now)
				x.Has, x.Quality, x.Reason = 0, sensors.Bad, sensors.Heating
				return x
			}))
			r.run(time.Minute, broken)
			r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
			r.run(5*time.Minute, r.calm)
			r.want(alarm.ProbeSilent, "p1", "NORM>UNACK UNACK>RTNUN")
			// Nor is a temperature that jumps another loss.
			jumping := r.with("p1", func() *sensors.Reading {
				x := r.calm("p1", r.now)
				x.Temperature, x.Quality, x.Reason = x.Temperature+900, sensors.Suspect, sensors.Jump
				return x
			})
			r.run(5*time.Minute, jumping)
			r.want(alarm.ProbeSilent, "p1", "NORM>UNACK UNACK>RTNUN")
		})
	}
}

// What another alarm tells of, or what has no humidity to lose, is not told as
// a lost one.
func TestProbe_HumidityNotGone(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, ""))
	for i := range r.cfg.Probes {
		if r.cfg.Probes[i].ID == "p1" {
			r.cfg.Probes[i].Family, r.cfg.Probes[i].Measures.Humidity = "ds18b20", false
		}
	}
	r.e = New(r.cfg)
	r.run(time.Hour, r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		x.Has, x.Humidity = sensors.HasTemperature, 0
		return x
	}))
	r.want(alarm.ProbeSilent, "p1", "")
	r.run(time.Hour, r.with("p2", func() *sensors.Reading {
		x := r.calm("p2", r.now)
		x.Humidity, x.Quality, x.Reason = 9990, sensors.Suspect, sensors.PinnedWet
		return x
	}))
	r.want(alarm.ProbeSilent, "p2", "")
}

// A probe that never told a humidity leaves the floor judged on nothing, and is told of; not
// where another one tells it, nor outside of all enclosures.
func TestProbe_HumidityNeverThere(t *testing.T) {
	for _, id := range []string{"p1", "p2", "q2", "room"} {
		r := newRig(t, rigConfig(t, 2, "", 2))
		never := r.with(id, func() *sensors.Reading {
			x := r.calm(id, r.now)
			x.Has, x.Humidity = sensors.HasTemperature, 0
			return x
		})
		r.run(30*time.Second, never)
		r.want(alarm.ProbeSilent, "", "")
		r.run(2*time.Minute, never)
		if id != "p1" {
			r.want(alarm.ProbeSilent, "", "")
			continue
		}
		r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
		r.run(5*time.Minute, r.calm)
		r.want(alarm.ProbeSilent, "", "NORM>UNACK UNACK>RTNUN")
	}
}

// A probe that told temperatures and now tells a humidity alone leaves the heat unseen: that is
// told as its silence, also after a restart, and its humidity is watched all the same.
func TestProbe_TemperatureGone(t *testing.T) {
	r := newRig(t, rigConfig(t, 2, "", 2))
	r.run(10*time.Minute, r.calm)
	damp := r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		x.Has, x.Temperature = sensors.HasHumidity, 0
		return x
	})
	r.run(20*time.Second, damp)
	r.want(alarm.ProbeSilent, "p1", "")
	r.run(2*time.Minute, damp)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	if x := r.last(alarm.ProbeSilent); !strings.Contains(x.Text, "blind") {
		t.Error(x.Text)
	}
	r.reborn()
	r.run(time.Hour, damp)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK")
	dry := r.with("p1", func() *sensors.Reading {
		x := r.calm("p1", r.now)
		x.Has, x.Temperature, x.Humidity = sensors.HasHumidity, 0, 6000
		return x
	})
	r.run(time.Hour, dry)
	if r.events(alarm.HumidityFloor, "e1") == "" {
		t.Error("its dry air is not told")
	}
	r.run(5*time.Minute, r.calm)
	r.want(alarm.ProbeSilent, "p1", "NORM>UNACK UNACK>RTNUN")
}
