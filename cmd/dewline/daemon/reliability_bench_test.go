package daemon

import (
	"fmt"
	"testing"
	"time"

	"dewline/alert"
	"dewline/sensors"
)

// What the core goroutine does beside readings, in rooms of two sizes: a tick
// and a snapshot each second, the state every twenty minutes, or every five
// while it is hot. Nothing is decided meanwhile, so each adds to the latency of
// a reading that comes just then.
//
//	go test -run '^$' -bench Core ./cmd/dewline/daemon
func BenchmarkCore(b *testing.B) {
	for _, n := range []int{50, 5000} {
		cfg := roomOf(b, n, "10 s", "06:00-20:00")
		c := NewCore(cfg, nil)
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
				c.fill(now, new(alert.Snapshot))
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
