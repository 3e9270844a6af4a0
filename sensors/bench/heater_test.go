package bench

import (
	"context"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/sht"
)

// day polls a probe every 10 s for d and returns the samples by reason.
func day(t *testing.T, p *sht.Probe, climate *Air, d time.Duration) map[sensors.Reason]int {
	t.Helper()
	counts := map[sensors.Reason]int{}
	for end := time.Now().Add(d); time.Now().Before(end); {
		next := time.Now().Add(10 * time.Second)
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		s, err := p.Sample(ctx)
		cancel()
		counts[sensors.ReasonOf(err)]++
		if err == nil && s.Temperature > sensors.CelsiusOf(climate.Celsius)+2 {
			t.Fatalf("hot air was taken for data: %v in air of %v °C", s.Temperature, climate.Celsius)
		}
		time.Sleep(time.Until(next))
	}
	return counts
}

func TestHeaterPulses(t *testing.T) {
	for _, family := range []string{"sht4x", "sht3x", "hdc302x"} {
		for _, c := range []struct {
			name    string
			climate Air
			pulses  uint64
		}{
			{"damp", Air{Celsius: 24, Percent: 92}, 4},
			{"dry", Air{Celsius: 24, Percent: 79}, 0},
			{"warm", Air{Celsius: 27.5, Percent: 92}, 0},
		} {
			synctest.Test(t, func(t *testing.T) {
				bus := NewBus("sim")
				climate := c.climate
				if family == "sht4x" {
					bus.Attach(0x44, &SHT4x{Air: &climate})
				} else {
					bus.Attach(0x44, &SHT3x{Air: &climate, HDC: family == "hdc302x"})
				}
				p := open(t, configs.Probe{ID: "p", Family: family, Address: 0x44, HeaterEvery: configs.Duration(time.Hour)}, bus).(*sht.Probe)
				counts := day(t, p, &climate, 4*time.Hour)
				if got := p.Events().HeaterPulses; got != c.pulses {
					t.Errorf("%s, %s: %d pulses, want %d", family, c.name, got, c.pulses)
				}
				// A pulse inhibits the six polls of its minute, and no other.
				if got := counts[sensors.Heating]; got != 6*int(c.pulses) && got != 7*int(c.pulses) {
					t.Errorf("%s, %s: %d inhibited samples for %d pulses", family, c.name, got, c.pulses)
				}
				if counts[sensors.NoReason]+counts[sensors.Heating] != 4*360 {
					t.Errorf("%s, %s: %v", family, c.name, counts)
				}
			})
		}
	}
}

// A heater that cannot be switched off inhibits readings until it is, and the
// minute of cooling starts then.
func TestAHeaterThatStaysOnInhibitsReadings(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := NewBus("sim")
		climate := Air{Celsius: 24, Percent: 92}
		chip := &SHT3x{Air: &climate}
		bus.Attach(0x44, chip)
		p := open(t, configs.Probe{ID: "p", Family: "sht3x", Address: 0x44, HeaterEvery: configs.Duration(time.Hour)}, bus).(*sht.Probe)
		if _, err := p.Sample(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Hour) // the first pulse is due somewhere in the first period
		// Status, measurement, heater on: 5 transfers. The sixth switches it off.
		bus.Inject(BusFault{Kind: Nak, Device: chip, After: 5, Times: 4})
		if _, err := p.Sample(t.Context()); err != nil {
			t.Fatal(err)
		}
		if !chip.Heater {
			t.Fatal("the fault hit another transfer than the one meant")
		}
		for range 3 {
			time.Sleep(10 * time.Second)
			if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.Heating || err == nil {
				t.Fatalf("err = %v", err)
			}
		}
		time.Sleep(10 * time.Second)
		if _, err := p.Sample(t.Context()); sensors.ReasonOf(err) != sensors.Heating || chip.Heater {
			t.Fatalf("err = %v, heater %v", err, chip.Heater)
		}
		time.Sleep(61 * time.Second)
		if s, err := p.Sample(t.Context()); err != nil || s.Temperature != 24_00 {
			t.Errorf("%v, %v", s, err)
		}
	})
}

func TestABudgetTooShortForAPulsePutsItOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := NewBus("sim")
		bus.Attach(0x44, &SHT3x{Air: &Air{Celsius: 24, Percent: 92}})
		p := open(t, configs.Probe{ID: "p", Family: "sht3x", Address: 0x44, HeaterEvery: configs.Duration(time.Hour)}, bus).(*sht.Probe)
		for _, c := range []struct {
			budget time.Duration
			pulses uint64
		}{{500 * time.Millisecond, 0}, {500 * time.Millisecond, 0}, {2 * time.Second, 1}} {
			ctx, cancel := context.WithTimeout(t.Context(), c.budget)
			if _, err := p.Sample(ctx); err != nil || ctx.Err() != nil {
				t.Fatal(err, ctx.Err())
			}
			cancel()
			if got := p.Events().HeaterPulses; got != c.pulses {
				t.Errorf("budget %v: %d pulses, want %d", c.budget, got, c.pulses)
			}
			time.Sleep(time.Hour)
		}
	})
}

// After a start, and after a mist pulse ends a dry spell, the pulses of a whole
// room must not fall into one round, which they would stretch.
func TestPulsesOfARoomAreSpreadOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var probes []*sht.Probe
		climate := Air{Celsius: 24, Percent: 60}
		for i := range 48 {
			bus := NewBus("sim")
			bus.Attach(0x44, &SHT3x{Air: &climate})
			p := open(t, configs.Probe{ID: fmt.Sprintf("probe-%d", i), Family: "sht3x", Address: 0x44, HeaterEvery: configs.Duration(time.Hour)}, bus).(*sht.Probe)
			probes = append(probes, p)
		}
		pulsed, most := uint64(0), uint64(0)
		for round := range 900 {
			start := time.Now()
			if round == 360 {
				climate.Percent = 95 // it is misted
			}
			for _, p := range probes {
				if _, err := p.Sample(t.Context()); err != nil && sensors.ReasonOf(err) != sensors.Heating {
					t.Fatal(err)
				}
			}
			now := uint64(0)
			for _, p := range probes {
				now += p.Events().HeaterPulses
			}
			most, pulsed = max(most, now-pulsed), now
			time.Sleep(time.Until(start.Add(10 * time.Second)))
		}
		if pulsed < 48 || most > 5 {
			t.Errorf("%d pulses in all, up to %d in one round", pulsed, most)
		}
	})
}
