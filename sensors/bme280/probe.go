// Package bme280 reads Bosch's BME280 through periph's bmxx80 driver.
//
// Only its Sense is used, and the result is looked at only after a nil error.
// Between driver and bus sits a guard that gives every transfer the sample's
// context and its reason, and that checks what the driver does not: frames, which
// have no checksum, are read twice, a busy chip is waited for within a limit, and
// values that a chip shows after a brown-out are refused.
package bme280

import (
	"context"
	"fmt"

	"periph.io/x/conn/v3/physic"
	"periph.io/x/devices/v3/bmxx80"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// Family is the BME280's row: -40 to 85 °C, ±3 %RH at 20 to 80 %; nothing is
// promised wet (data sheet BST-BME280-DS002).
func Family() sensors.Family {
	return sensors.Family{
		Name: "bme280", Addresses: []int{0x76, 0x77}, Measures: sensors.Both,
		Limits: sensors.Limits{
			Coldest: -4000, Hottest: 8500, Driest: 0, Wettest: 10000, Coarse: 1,
			Accuracy: sensors.Accuracy{Celsius: 1.0, CelsiusYear: 0.1, Percent: 3.0, PercentAt100: 5.0, PercentYear: 0.5, Hysteresis: 1.0},
		},
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) {
			return &Probe{guard: guard{chip: i2c.At(p, bus)}}, nil
		},
		Identify: identify,
	}
}

// identify reads the identity register.
func identify(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
	var id [1]byte
	if (i2c.Device{Bus: bus, Addr: addr}).Tx(ctx, []byte{regID}, id[:]) != nil || id[0] != chipID {
		return "", ""
	}
	return "chip id 60", sensors.Identified
}

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	guard  guard
	device *bmxx80.Dev // nil until set up, and again after a fault
	setUps uint64
}

// Sample measures once, about 10 ms. The values are as the chip gave them. The
// error is a sensors.FaultError, after which the next Sample sets the chip up
// afresh.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	p.guard.begin(ctx)
	s, err := p.sample()
	if err != nil {
		p.device = nil
		err = p.guard.outcome(err)
	}
	return s, sensors.Located(p.guard.chip.Name, err)
}

func (p *Probe) sample() (sensors.Sample, error) {
	if p.device == nil {
		// Pressure is not used, and leaving it out keeps the chip cooler.
		d, err := bmxx80.NewI2C(&p.guard, p.guard.chip.Addr, &bmxx80.Opts{Temperature: bmxx80.O1x, Humidity: bmxx80.O1x})
		if err != nil {
			return sensors.Sample{}, fmt.Errorf("set up: %w", err)
		}
		p.device = d
		p.setUps++
	}
	var e physic.Env
	if err := p.device.Sense(&e); err != nil {
		return sensors.Sample{}, err
	}
	return fromEnv(e), nil
}

// Events returns what the poller counts of it: a set-up after faults counts as
// a restart.
func (p *Probe) Events() sensors.Events { return sensors.Events{Restarts: max(p.setUps, 1) - 1} }
