package rules

import (
	"fmt"
	"testing"
	"time"

	"dewline/sensors"
)

// One reading with every rule on, and one tick, in a room of 48 enclosures:
//
//	go test -run '^$' -bench . ./rules
func BenchmarkStep(b *testing.B) {
	for _, n := range []int{1, 48} {
		b.Run(fmt.Sprintf("%d-enclosures", n), func(b *testing.B) {
			r := newRig(b, rigConfig(b, n, ""))
			r.run(2*time.Hour, r.calm)
			ids := make([]sensors.ProbeID, n)
			for i := range ids {
				ids[i] = sensors.ProbeID(fmt.Sprintf("p%d", i+1))
			}
			x := *r.calm("p1", r.now)
			b.ReportAllocs()
			i := 0
			for b.Loop() {
				x.Probe, x.At = ids[i%n], r.instant()
				x.Temperature, x.Humidity = sensors.CentiCelsius(2400+i%7), sensors.CentiPercent(8600+i%5)
				r.e.Step(x)
				if i++; i%n == 0 {
					r.now += poll
				}
			}
		})
	}
}

func BenchmarkTick(b *testing.B) {
	r := newRig(b, rigConfig(b, 48, ""))
	r.run(time.Hour, r.calm)
	b.ReportAllocs()
	for b.Loop() {
		r.e.Tick(r.instant())
		r.now += time.Millisecond
	}
}

// In the steady state a step allocates nothing.
func TestStep_AllocatesNothing(t *testing.T) {
	r := newRig(t, rigConfig(t, 4, ""))
	r.run(2*time.Hour, r.calm)
	x := *r.calm("p1", r.now)
	i := 0
	allocs := testing.AllocsPerRun(2000, func() {
		i++
		r.now += poll
		x.At, x.Temperature, x.Humidity = r.instant(), sensors.CentiCelsius(2400+i%7), sensors.CentiPercent(8600+i%5)
		r.e.Step(x)
	})
	if allocs > 0 {
		t.Errorf("%v allocations a reading", allocs)
	}
	r.quiet()
}
