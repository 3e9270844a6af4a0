package rules

import (
	"math"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

// D. tinctorius: nothing inside 20-25 °C at any hour is more than a note (common
// practice, no source), be it warm by night, cool by day or level for weeks.
func TestTinctorius_FromTwentyToTwentyFive(t *testing.T) {
	skipUnderRace(t)
	cfg, err := table.Decode("rig.toml", []byte("[room]\npoll = \"1 min\"\ntimezone = \"UTC\"\n[[lamps]]\nid = \"day\"\non = \"08:00-20:00\"\n"+
		"[[enclosure]]\nid = \"a\"\nspecies = \"dendrobates-tinctorius\"\nlamps = \"day\"\n[[probe]]\nid = \"p\"\nfamily = \"simulated\"\nplace = \"litter\"\nenclosure = \"a\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	for name, at := range map[string]func(hour float64) float64{
		"warm by night": func(hour float64) float64 { return 22.5 + 2.4*math.Cos(hour*math.Pi/12) },
		"level, warm":   func(float64) float64 { return 24.9 },
		"level, cool":   func(float64) float64 { return 20.1 },
	} {
		r := newRig(t, cfg)
		n := 0
		for end := r.now + 8*24*time.Hour; r.now < end; r.now += time.Minute {
			n++
			x := r.good("p", at(math.Mod(r.now.Hours(), 24))+0.02*float64(n%4), 85+0.03*float64(n%5))
			x.Has = sensors.HasTemperature | sensors.HasHumidity
			r.step(x)
			r.tick()
		}
		for _, x := range r.log {
			if x.Priority > alarm.Note {
				t.Errorf("%s: %v %s: %s", name, x.Key, x.Priority, x.Text)
			}
		}
	}
}
