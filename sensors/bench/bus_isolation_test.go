package bench

import (
	"bytes"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// manyTimes outlasts every test.
const manyTimes = 1 << 30

// round polls every probe and returns the errors by name.
func (r *rig) round(t *testing.T) map[string]error {
	t.Helper()
	n := tally{reasons: map[sensors.Reason]int{}}
	r.poll(t, 0, &n)
	bad := map[string]error{}
	for _, p := range r.probes {
		if p.err != nil {
			bad[p.name] = p.err
		}
	}
	return bad
}

func (r *rig) calm() {
	for i, p := range r.probes {
		*p.climate = Air{Celsius: 20 + float64(i), Percent: 70 + float64(i), Lux: 100}
	}
}

// TestABadProbeFailsAlone breaks each probe in each lasting way: all others
// answer rightly in the same round, first to last.
func TestABadProbeFailsAlone(t *testing.T) {
	for _, kind := range []BusKind{Nak, Short, Flip, Zeros, StuckSDA} {
		for i := range 8 {
			if kind == Zeros && i == 7 {
				continue // the light probe: lasting zeros are darkness
			}
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t)
				r.calm()
				if bad := r.round(t); len(bad) != 0 {
					t.Fatalf("before any fault: %v", bad)
				}
				broken := r.probes[i]
				r.bus.Inject(BusFault{Kind: kind, Device: broken.device, Times: manyTimes, Arg: 3})
				for range 3 {
					bad := r.round(t)
					if bad[broken.name] == nil || len(bad) != 1 {
						t.Fatalf("%v on %s: failed probes %v", kind, broken.name, bad)
					}
				}
				r.bus.Clear()
				if bad := r.round(t); len(bad) != 0 {
					t.Fatalf("%v on %s: not right in the first round after it ended: %v", kind, broken.name, bad)
				}
			})
		}
	}
}

func TestAChipThatStaysBusyIsGivenUpSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, family := range []string{"bme280", "aht20"} {
			bus := NewBus("sim")
			climate := &Air{Celsius: 24, Percent: 80}
			p := configs.Probe{ID: "p", Family: family, Address: 0x76}
			var unstick func()
			if family == "bme280" {
				d := &BME280{Air: climate, Stuck: true}
				bus.Attach(0x76, d)
				unstick = func() { d.Stuck = false }
			} else {
				p.Address = 0x38
				d := &AHT20{Air: climate, Stuck: true}
				bus.Attach(0x38, d)
				unstick = func() { d.Stuck = false }
			}
			driver, start := open(t, p, bus), time.Now()
			if _, err := driver.Sample(t.Context()); sensors.ReasonOf(err) != sensors.StuckBusy {
				t.Errorf("%s: %v, want stuck-busy", family, err)
			}
			if took := time.Since(start); took > 300*time.Millisecond {
				t.Errorf("%s: gave up after %v", family, took)
			}
			unstick()
			s, err := driver.Sample(t.Context())
			if w := (&rigProbe{climate: climate}).wrong(s); err != nil || w != "" {
				t.Errorf("%s, once it works: %v %s", family, err, w)
			}
		}
	})
}

func TestTwoMultiplexersNeverAnswerTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.calm()
		for range 20 {
			if bad := r.round(t); len(bad) != 0 {
				t.Fatalf("a round without faults: %v", bad)
			}
		}
		if c := r.bus.Collisions(); c != 0 {
			t.Errorf("%d transfers answered by two devices", c)
		}
	})
}

// The bus itself must see a collision, or the test above could not fail.
func TestTheModelSeesTwoOpenMultiplexers(t *testing.T) {
	bus := NewBus("sim")
	for i, addr := range []uint16{0x70, 0x71} {
		d := &SHT4x{Air: &Air{}, Serial: []uint32{0xF0F0_0000, 0x3C3C_0000}[i]}
		bus.AttachMux(addr).Attach(0, 0x44, d)
		if err := bus.Tx(addr, []byte{1}, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := bus.Tx(0x44, []byte{0x89}, nil); err != nil {
		t.Fatal(err)
	}
	var b [2]byte
	if err := bus.Tx(0x44, nil, b[:]); err != nil || !bytes.Equal(b[:], []byte{0x30, 0x30}) {
		t.Errorf("two serial numbers and-ed: % x, %v; want 30 30", b, err)
	}
	if bus.Collisions() != 2 {
		t.Errorf("%d collisions, want 2", bus.Collisions())
	}
}

func TestAfterAMultiplexerResetTheNextPollIsRight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for after := range 40 { // at every transfer of a round
			r := newRig(t)
			r.calm()
			r.bus.Inject(BusFault{Kind: MuxReset, After: after})
			bad := r.round(t)
			if len(bad) > 1 {
				t.Errorf("a reset at transfer %d failed %v; it can only hit one sample", after, bad)
			}
			if bad := r.round(t); len(bad) != 0 {
				t.Errorf("the poll after a reset at transfer %d: %v", after, bad)
			}
		}
	})
}

// A multiplexer that may hold its channel open blocks the bus until it is heard
// again or has been silent for two transfers, and then only its own probes.
func TestAnUnpluggedMultiplexerCostsOneSample(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.calm()
		mux := r.bus.MuxAt(0x70)
		// It dies between opening a channel and closing it.
		r.bus.Inject(BusFault{Kind: Nak, Device: mux, After: 2, Times: manyTimes})
		first := r.round(t)
		if len(first) > 4 {
			t.Errorf("the round in which it dies fails %d probes: %v", len(first), first)
		}
		second := r.round(t)
		for name, err := range second {
			if !errors.Is(err, i2c.ErrNoAnswer) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if len(second) != 3 { // the probes behind it
			t.Errorf("the next round fails %d probes, want the 3 behind it: %v", len(second), second)
		}
	})
}

func TestASampleEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.calm()
		r.bus.Inject(BusFault{Kind: Slow, For: 3 * time.Second})
		n := tally{reasons: map[sensors.Reason]int{}}
		for _, p := range r.probes[:1] {
			ctx, cancel := timeout(t, 2*time.Second)
			_, err := p.driver.Sample(ctx)
			cancel()
			n.reasons[sensors.ReasonOf(err)]++
		}
		if n.reasons[sensors.TimedOut] != 1 {
			t.Errorf("reasons %v, want one timed-out", n.reasons)
		}
	})
}
