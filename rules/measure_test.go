package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

// twoPlaces is an enclosure with a probe in the canopy and one in the litter.
func twoPlaces(t *testing.T, floor string) *configs.Config {
	t.Helper()
	cfg, err := table.Decode("two.toml", []byte(`[room]
id = "r"
name = "Room"
timezone = "UTC"
poll = "10 s"
[[lamps]]
id = "day"
on = "08:00-20:00"
[[enclosure]]
id = "e1"
name = "Tank"
species = "dendrobates-tinctorius"
stage = "adult"
lamps = "day"
[[probe]]
id = "canopy"
family = "simulated"
place = "canopy"
enclosure = "e1"
[[probe]]
id = "litter"
family = "simulated"
place = "litter"
enclosure = "e1"
`+floor))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// Whatever the probes say, a number is of the probe that it names.
func TestMeasures_AreOfTheProbeTheyName(t *testing.T) {
	for _, floor := range []string{"", "floor_probe = true\n"} {
		for _, c := range []struct{ canopy, litter, dry, damp float64 }{
			{29.7, 27.8, 61, 84}, {25.1, 25.9, 80, 70}, {24, 24, 75, 75}, {29.9, 21, 99, 40},
		} {
			r := newRig(t, twoPlaces(t, floor))
			r.run(10*time.Minute, func(id string, at time.Duration) *sensors.Reading {
				x := r.good(id, c.canopy, c.dry)
				if id == "litter" {
					x = r.good(id, c.litter, c.damp)
				}
				return &x
			})
			v := r.e.Enclosures()[0]
			temp, hum, place := map[string]float64{}, map[string]float64{}, map[string]string{}
			for _, p := range r.e.Probes() {
				temp[p.ID], hum[p.ID], place[p.ID] = *p.Temperature, *p.Humidity, p.Place
			}
			for name, m := range map[string]Measure{"temperature": v.Temperature, "band": v.Band} {
				if !m.Known || m.Value != temp[m.Probe] || m.Place != place[m.Probe] {
					t.Errorf("%+v: %s is %+v", c, name, m)
				}
			}
			if v.Temperature.Value != max(c.canopy, c.litter) || v.Band.Value != c.litter {
				t.Errorf("%+v: %+v, %+v", c, v.Temperature, v.Band)
			}
			if h := v.Humidity; !h.Known || h.Value != hum[h.Probe] || h.Place != place[h.Probe] || floor != "" && h.Probe != "litter" {
				t.Errorf("%+v: humidity is %+v", c, h)
			}
		}
	}
}

// A wet probe answers: its humidity is shown as what it is, and its temperature
// counts. One that nothing arrives from does not.
func TestWetProbe_IsNotSilent(t *testing.T) {
	r := newRig(t, rigConfig(t, 1, ""))
	r.run(10*time.Minute, r.calm)
	r.run(30*time.Minute, r.with("p1", func() *sensors.Reading {
		x := r.suspect("p1", 24.2+0.01*float64(int(r.now/poll)%5), sensors.PinnedWet)
		x.Humidity = 10000
		return &x
	}))
	v, p := r.e.Enclosures()[0], r.e.Probes()[1]
	if !p.Fresh || p.HeardAge.D() > poll || p.Temperature == nil || p.TemperatureDoubt != "" || p.Humidity == nil ||
		*p.Humidity != 100 || p.HumidityDoubt != "pinned-wet" {
		t.Errorf("the wet probe: %+v", p)
	}
	if !v.Temperature.Known || v.Blind || v.Humidity.Known || v.Humidity.Value != 100 || v.Humidity.Doubt != "pinned-wet" ||
		v.Humidity.Probe != "p1" || v.DewPoint != nil {
		t.Errorf("its enclosure: %+v", v)
	}
	r.run(30*time.Minute, r.with("p1", func() *sensors.Reading { return nil }))
	v, p = r.e.Enclosures()[0], r.e.Probes()[1]
	if p.Fresh || p.HeardAge.D() < 29*time.Minute || v.Humidity.Doubt != "" || v.Humidity.Known || !v.Blind {
		t.Errorf("silent for half an hour: %+v %+v", p, v.Humidity)
	}
}

// The humidity of two that disagree is one of theirs, not the mean of both.
func TestHumidity_IsNoMean(t *testing.T) {
	r := newRig(t, twoPlaces(t, ""))
	r.run(10*time.Minute, func(id string, at time.Duration) *sensors.Reading {
		x := r.good(id, 24, 60)
		if id == "litter" {
			x = r.good(id, 24, 90)
		}
		return &x
	})
	h := r.e.Enclosures()[0].Humidity
	if h.Value != 60 || h.Probe != "canopy" || math.Abs(h.Age.Seconds()) > 60 || strings.TrimSpace(h.Doubt) != "" {
		t.Errorf("%+v", h)
	}
}
