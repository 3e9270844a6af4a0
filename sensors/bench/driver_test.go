package bench

import (
	"context"
	"errors"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/aht20"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

func aht(t *testing.T, bus i2c.Bus) sampler {
	t.Helper()
	return open(t, configs.Probe{ID: "canopy-1", Family: "aht20", Address: 0x38}, bus)
}

// Periph's own driver reads the same from the same air.
func TestAgreesWithPeriph(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		air := &Air{}
		bus := NewBus("sim")
		bus.Attach(0x38, &AHT20{Air: air})
		p := aht(t, bus)
		theirs, err := aht20.NewI2C(bus, &aht20.DefaultOpts)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range [][2]float64{{24, 80}, {-12.34, 99.99}, {0.01, 50}, {84.9, 0.02}} {
			air.Celsius, air.Percent = c[0], c[1]
			var e physic.Env
			if err := theirs.Sense(&e); err != nil {
				t.Fatal(err)
			}
			s, err := p.Sample(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			celsius, percent := e.Temperature.Celsius(), float64(e.Humidity)/float64(physic.PercentRH)
			if math.Abs(s.Temperature.Celsius()-celsius) > 0.0051 || math.Abs(s.Humidity.Percent()-percent) > 0.0051 {
				t.Errorf("%v and %v here, %v °C and %v %% there", s.Temperature, s.Humidity, celsius, percent)
			}
		}
	})
}

// A budget that ends in mid-conversion ends the sample, even inside a driver
// that knows no context.
func TestABudgetEndsInsideADriver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		bus := NewBus("sim")
		bus.Attach(0x38, &AHT20{Air: &Air{Celsius: 24, Percent: 80}, Stuck: true})
		p := aht(t, bus)
		ctx, cancel := context.WithTimeout(t.Context(), 120*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err := p.Sample(ctx)
		if took := time.Since(start); sensors.ReasonOf(err) != sensors.TimedOut || took > 130*time.Millisecond {
			t.Errorf("%v after %v", err, took)
		}
	})
}

// Some drivers turn errors into text at times, and a keeper who sees "no device
// answered" looks at the plug.
func TestNobodyAnswers(t *testing.T) {
	for family, address := range map[string]int{"aht20": 0x38, "bh1750": 0x23, "bme280": 0x76, "sht4x": 0x44} {
		synctest.Test(t, func(t *testing.T) {
			_, err := open(t, configs.Probe{ID: "p", Family: family, Address: address}, NewBus("bench")).Sample(t.Context())
			if !errors.Is(err, i2c.ErrNoAnswer) || sensors.ReasonOf(err) != sensors.BusError {
				t.Errorf("%s: %v", family, err)
			}
		})
	}
}
