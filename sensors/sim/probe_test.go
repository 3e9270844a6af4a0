package sim

import (
	"math"
	"testing"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// scatter samples a probe in a tank that stands still and returns mean and
// spread of temperature and humidity.
func scatter(t *testing.T, p Probe, n int) (temp, tempSD, hum, humSD float64) {
	o := testRoom(1, julyAt(3, 0))
	p.ID, p.Enclosure, p.Place = "p", "aa", configs.Litter
	o.Probes = append(o.Probes, p)
	r := mustNew(t, o)
	var t1, t2, h1, h2 float64
	for range n {
		s, err := r.Sample("p")
		if err != nil {
			t.Fatal(err)
		}
		tr := truth(t, r, "aa")
		dt, dh := s.Temperature.Celsius()-tr.Litter, s.Humidity.Percent()-tr.Humidity
		t1, t2, h1, h2 = t1+dt, t2+dt*dt, h1+dh, h2+dh*dh
	}
	k := float64(n)
	return t1 / k, math.Sqrt(max(0, t2/k-t1*t1/k/k)), h1 / k, math.Sqrt(max(0, h2/k-h1*h1/k/k))
}

// The flaws of a probe come out of its samples as they were put in, to what
// 20,000 draws allow.
func TestProbeFlaws(t *testing.T) {
	temp, tempSD, hum, humSD := scatter(t, Probe{}, 20000)
	within(t, "offset", temp, 0, 0.02)
	within(t, "noise", tempSD, 0.02, 0.001)
	within(t, "humidity offset", hum, 0, 0.2)
	within(t, "humidity noise", humSD, 0.1, 0.003)

	temp, tempSD, _, humSD = scatter(t, Probe{TempOffset: -0.8, TempSigma: 0.3, HumSigma: 2}, 20000)
	within(t, "offset", temp, -0.8, 0.03)
	within(t, "noise", tempSD, 0.3, 0.01)
	within(t, "humidity noise", humSD, 2, 0.05)

	_, tempSD, hum, humSD = scatter(t, Probe{TempSigma: -1, HumSigma: -1, HumGain: 0.95, HumOffset: 3}, 100)
	within(t, "no noise", tempSD+humSD, 0, 1e-3)
	within(t, "gain and offset at about 90 %", hum, 3-0.05*90, 0.3)
}

// An element follows its air by its own time constant: 63 % after one, as
// data sheets define the response time.
func TestProbeLag(t *testing.T) {
	o := testRoom(1, julyAt(13, 0))
	o.Step = time.Second
	o.Probes = []Probe{{ID: "slow", Enclosure: "aa", Place: configs.Litter, Lag: 5 * time.Minute, TempSigma: -1}}
	r := mustNew(t, o)
	p := &r.probes[0]
	p.temp += 10
	r.Advance(5 * time.Minute)
	within(t, "left of 10 °C after one time constant", p.temp-truth(t, r, "aa").Litter, 10/math.E, 0.1)
}

// Wet probes creep upwards with 60 h (older SHT parts' data sheets) and come
// back in dry air.
func TestHumidityCreep(t *testing.T) {
	o := testRoom(1, julyAt(13, 0))
	o.Probes = append(o.Probes,
		Probe{ID: "creeps", Enclosure: "aa", Place: configs.Litter, HumCreep: 3},
		Probe{ID: "dry", Place: configs.InRoom, HumCreep: 3})
	r := mustNew(t, o)
	wet, dry := &r.probes[r.probeAt["creeps"]], &r.probes[r.probeAt["dry"]]
	wet.creep, dry.creep = 0, 3
	r.Advance(60 * time.Hour)
	within(t, "crept in 60 h", wet.creep, 3*(1-1/math.E), 0.05)
	within(t, "left after 60 h", dry.creep, 3/math.E, 0.05)
}

// Each place has its own climate, and a water probe no humidity.
func TestPlaces(t *testing.T) {
	o := testRoom(1, julyAt(15, 0))
	o.Probes = append(o.Probes, Probe{ID: "cup", Enclosure: "aa", Place: configs.Water, NoHumidity: true})
	r := mustNew(t, o)
	tr := truth(t, r, "aa")
	room, outside := r.house.temp, r.house.outdoors
	for id, want := range map[sensors.ProbeID]float64{
		"aa-litter": tr.Litter, "aa-canopy": tr.Canopy, "cup": tr.Substrate, "room": room, "outside": outside,
	} {
		s, err := r.Sample(id)
		if err != nil || !near(s.Temperature.Celsius(), want, 0.1) {
			t.Errorf("%s: %s, %v; want %.2f", id, s.Temperature, err, want)
		}
		if has := s.Has&sensors.HasHumidity != 0; has != (id != "cup") {
			t.Errorf("%s has humidity: %v", id, has)
		}
	}
}
