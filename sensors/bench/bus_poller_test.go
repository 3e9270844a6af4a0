package bench

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

// TestGoodProbesKeepTheirGrid runs the real poller and drivers for half an hour
// beside one probe that is broken in the slowest way there is, a line that
// hangs on every transfer: all others deliver a good reading at least every
// other poll, and nearly always every one.
func TestGoodProbesKeepTheirGrid(t *testing.T) {
	for _, kind := range []BusKind{StuckSDA, Slow, Nak} {
		synctest.Test(t, func(t *testing.T) {
			r := newRig(t)
			r.calm()
			broken := r.probes[3]
			r.bus.Inject(BusFault{Kind: kind, Device: broken.device, Times: manyTimes, For: 1900 * time.Millisecond})
			const polls = 180
			good := pollFor(t, r, polls*sensors.DefaultEvery-time.Second)
			for _, p := range r.probes {
				if p == broken && kind != Slow {
					if n := len(good[p.name]); n != 0 {
						t.Errorf("%v: %s is broken and delivered %d good readings", kind, p.name, n)
					}
					continue
				}
				if p == broken {
					continue // slow, but what it delivers is right
				}
				checkGrid(t, kind.String()+" "+p.name, good[p.name], polls)
			}
		})
	}
}

// TestThePollerCountsWhatChipsDo: heater pulses, restarts and a chip that was
// replaced show in the poller's counts, whence they go to the metrics.
func TestThePollerCountsWhatChipsDo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		wire, log := NewBus("sim"), &bytes.Buffer{}
		climate := &Air{Celsius: 24, Percent: 92}
		chip := &SHT3x{Air: climate, Serial: 7}
		wire.Attach(0x44, chip)
		driver := open(t, configs.Probe{ID: "litter", Family: "sht3x", Address: 0x44, HeaterEvery: configs.Duration(time.Hour)}, wire)
		start := time.Now()
		poller, err := sensors.NewPoller([]sensors.Bus{{Name: "sim", Probes: []sensors.BusProbe{{ID: "litter", Limits: table.Limits("sht3x"), Sampler: driver}}}},
			sensors.PollOptions{
				Now: func() sensors.Instant {
					return sensors.Instant{Mono: time.Since(start), Wall: time.Now(), Synced: true}
				},
				Sink: func(sensors.Reading) {}, Log: slog.New(slog.NewTextHandler(log, nil)),
			})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() { poller.Run(ctx) })
		time.Sleep(4*time.Hour + time.Second)
		c := poller.Probes()[0]
		if c.Events != (sensors.Events{HeaterPulses: 4}) {
			t.Errorf("after four hours: %+v", c.Events)
		}
		if n := c.Bad; n < 4*6 || n > 4*7 || c.Failures != 0 {
			t.Errorf("%d inhibited readings and %d failures", n, c.Failures)
		}
		wire.Inject(BusFault{Kind: Brownout, Device: chip})
		time.Sleep(time.Minute)
		if c = poller.Probes()[0]; c.Events != (sensors.Events{HeaterPulses: 4, Restarts: 1}) {
			t.Errorf("after a brown-out: %+v", c.Events)
		}
		chip.Serial = 8 // somebody plugs another one in
		wire.Inject(BusFault{Kind: Nak, Device: chip})
		time.Sleep(time.Minute)
		if c = poller.Probes()[0]; c.Events.Replaced != 1 || !strings.Contains(log.String(), "another chip answers in the place of a probe") {
			t.Errorf("%+v\n%s", c.Events, log)
		}
		cancel()
		wg.Wait()
	})
}

// pollFor runs the poller and returns when each probe gave a good reading.
func pollFor(t *testing.T, r *rig, d time.Duration) map[string][]time.Time {
	t.Helper()
	bus := sensors.Bus{Name: "sim"}
	for _, p := range r.probes {
		bus.Probes = append(bus.Probes, sensors.BusProbe{ID: sensors.ProbeID(p.name), Sampler: p.driver})
	}
	var mu sync.Mutex
	good, start := map[string][]time.Time{}, time.Now()
	poller, err := sensors.NewPoller([]sensors.Bus{bus}, sensors.PollOptions{
		Now: func() sensors.Instant {
			return sensors.Instant{Mono: time.Since(start), Wall: time.Now(), Synced: true}
		},
		Sink: func(rd sensors.Reading) {
			mu.Lock()
			defer mu.Unlock()
			if rd.Quality == sensors.Good {
				good[string(rd.Probe)] = append(good[string(rd.Probe)], time.Now())
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	poller.Run(ctx)
	return good
}

func checkGrid(t *testing.T, who string, at []time.Time, polls int) {
	t.Helper()
	if len(at) < polls*95/100 {
		t.Errorf("%s: %d good readings in %d polls", who, len(at), polls)
	}
	for i := 1; i < len(at); i++ {
		if gap := at[i].Sub(at[i-1]); gap > 2*sensors.DefaultEvery {
			t.Errorf("%s: %v between good readings", who, gap)
		}
	}
}
