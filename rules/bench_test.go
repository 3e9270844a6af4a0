package rules

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"dewline/sensors"
)

// One reading with every rule on, a forty-eighth of a tick included, on days
// that pass in a room of 48 enclosures; and a tick by itself:
//
//	go test -run '^$' -bench . ./rules
func BenchmarkStep(b *testing.B) {
	for _, n := range []int{1, 48} {
		b.Run(fmt.Sprintf("%d-enclosures", n), func(b *testing.B) {
			r := newRig(b, rigConfig(b, n, noonMist))
			r.run(2*time.Hour, r.misted)
			day := make([]sensors.Reading, 0, 8640) // what a probe says
			from := r.now
			for range cap(day) {
				day = append(day, *r.misted("p1", r.now-(r.now/(24*time.Hour))*24*time.Hour))
				r.now += poll
			}
			r.now = from
			ids := make([]sensors.ProbeID, n)
			for i := range ids {
				ids[i] = sensors.ProbeID(fmt.Sprintf("p%d", i+1))
			}
			b.ReportAllocs()
			i, polls := 0, 0
			now := r.instant()
			for b.Loop() {
				x := day[polls%len(day)]
				x.Probe, x.At = ids[i], now
				r.e.Step(&x)
				if i++; i == n {
					r.e.Tick(now)
					i, polls = 0, polls+1
					now = now.Add(poll)
				}
			}
		})
	}
}

// BenchmarkHot steps a room that is too hot everywhere, with noise about the warning.
// "cpu-ns/step" is the processor's time, which other work on the machine makes no longer.
func BenchmarkHot(b *testing.B) {
	for _, n := range []int{48, 500, 5000} {
		b.Run(fmt.Sprintf("%d-enclosures", n), func(b *testing.B) {
			cfg := rigConfig(b, min(n, 1000), "") // no file describes more than some 2,000
			for i := len(cfg.Enclosures); i < n; i++ {
				en, p := cfg.Enclosures[i-1000], cfg.Probes[len(cfg.Probes)-1000]
				en.ID, en.Rack, p.ID = fmt.Sprintf("e%d", i+1), fmt.Sprintf("rack %d", i/1000), fmt.Sprintf("p%d", i+1)
				p.Enclosure = en.ID
				cfg.Enclosures, cfg.Probes = append(cfg.Enclosures, en), append(cfg.Probes, p)
			}
			r := newRig(b, cfg)
			ids := make([]sensors.ProbeID, n)
			for i := range ids {
				ids[i] = sensors.ProbeID(fmt.Sprintf("p%d", i+1))
			}
			x := *r.calm("p1", r.now)
			now, polls := r.instant(), 0
			poll := func() {
				for i, id := range ids {
					x.Probe, x.At, x.Temperature = id, now, sensors.CentiCelsius(2750+(polls*7+i*13)%120)
					x.Raw.Temperature = x.Temperature
					r.e.Step(&x)
				}
				r.e.Tick(now)
				now, polls = now.Add(10*time.Second), polls+1
			}
			for range 30 {
				poll()
			}
			b.ReportAllocs()
			began := cpuTime(b)
			for b.Loop() {
				poll()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/step")
			b.ReportMetric(float64((cpuTime(b)-began).Nanoseconds())/float64(b.N*n), "cpu-ns/step")
		})
	}
}

// cpuTime is what this process has used of all processors.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func BenchmarkTick(b *testing.B) {
	r := newRig(b, rigConfig(b, 48, ""))
	r.run(time.Hour, r.calm)
	now := r.instant()
	b.ReportAllocs()
	for b.Loop() {
		r.e.Tick(now)
		now.Mono += time.Nanosecond
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
		r.e.Step(&x)
	})
	if allocs > 0 {
		t.Errorf("%v allocations a reading", allocs)
	}
	r.quiet()
}
