package core

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

// What the loop does beside readings, in rooms of two sizes: a tick
// and a snapshot each second, the state every twenty minutes, or every five
// while it is hot. Nothing is decided meanwhile, so each adds to the latency of
// a reading that comes just then.
//
//	go test -run '^$' -bench Core ./cmd/dewline/core
func BenchmarkCore(b *testing.B) {
	for _, n := range []int{50, 5000} {
		cfg := roomOf(b, n, "10 s", "06:00-20:00")
		c := New(cfg, nil)
		now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
		round := func(i int) {
			now = now.Add(10 * time.Second)
			for _, p := range cfg.Probes {
				c.Reading(sensors.Reading{
					Probe: sensors.ProbeID(p.ID), At: now, Has: sensors.HasTemperature | sensors.HasHumidity,
					Quality: sensors.Good, Temperature: sensors.CelsiusOf(24 + float64(i%7)/50), Humidity: sensors.PercentOf(85),
				})
			}
		}
		for i := range 200 {
			round(i)
			c.Tick(now)
		}
		b.Run(fmt.Sprintf("round/%d", n), func(b *testing.B) {
			for i := range b.N {
				round(i)
			}
		})
		b.Run(fmt.Sprintf("tick/%d", n), func(b *testing.B) {
			for range b.N {
				now = now.Add(time.Millisecond)
				c.Tick(now)
			}
		})
		b.Run(fmt.Sprintf("snapshot/%d", n), func(b *testing.B) {
			for range b.N {
				c.Fill(now, new(alert.Snapshot))
			}
		})
		b.Run(fmt.Sprintf("state/%d", n), func(b *testing.B) {
			for range b.N {
				if _, err := c.State(); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(fmt.Sprintf("timing/%d", n), func(b *testing.B) {
			for range b.N {
				c.Timing()
			}
		})
	}
}

// A reading costs no more where much is open: nothing surveys every alarm for it.
func TestCore_ReadingsDoNotSurvey(t *testing.T) {
	allocs := map[int]float64{}
	for _, n := range []int{10, 200} {
		cfg := roomOf(t, n, "10 s", "06:00-20:00")
		c := New(cfg, nil)
		now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC), Synced: true}
		read := func(id string) {
			c.Reading(sensors.Reading{
				Probe: sensors.ProbeID(id), At: now, Has: sensors.HasTemperature | sensors.HasHumidity,
				Quality: sensors.Good, Temperature: sensors.CelsiusOf(31), Humidity: sensors.PercentOf(85),
			})
		}
		for range 60 {
			now = now.Add(10 * time.Second)
			for _, p := range cfg.Probes {
				read(p.ID)
			}
			c.Tick(now)
		}
		if open := len(c.Open()); open < n {
			t.Fatalf("%d alarms are open of %d enclosures", open, n)
		}
		allocs[n] = testing.AllocsPerRun(50, func() {
			now = now.Add(time.Millisecond)
			read("p-e0003")
		})
	}
	if allocs[200] > allocs[10]+5 {
		t.Errorf("a reading allocates %v times with 10 enclosures in heat, %v with 200", allocs[10], allocs[200])
	}
}

// roomOf is a room of n enclosures with one probe each.
func roomOf(t testing.TB, n int, poll, lamps string, more ...string) *configs.Config {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "[room]\nid = \"lab\"\ntimezone = \"UTC\"\npoll = %q\n[http]\nlisten = \"\"\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"+
		"[[person]]\nid = \"keeper\"\nchannels = [\"mqtt\"]\n"+
		"[[lamps]]\nid = \"day\"\non = %q\n[[mist]]\nid = \"rain\"\ntimes = [\"08:30\", \"20:00\"]\n"+
		"[[probe]]\nid = \"room\"\nfamily = \"simulated\"\nplace = \"room\"\n", poll, lamps)
	for i := range n {
		id := fmt.Sprintf("e%04d", i)
		fmt.Fprintf(&b, "[[enclosure]]\nid = %q\nrack = \"r%d\"\nshelf = %d\nslot = %d\nspecies = \"dendrobates-tinctorius\"\nlamps = \"day\"\nmist = \"rain\"\n"+
			"[[probe]]\nid = \"p-%s\"\nfamily = \"simulated\"\nplace = \"canopy\"\nenclosure = %q\n", id, i/12, i/4%3+1, i%4+1, id, id)
	}
	cfg, err := table.Decode("lab.toml", []byte(b.String()+strings.Join(more, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}
