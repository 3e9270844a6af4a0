package chip

import (
	"context"
	"fmt"
	"slices"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"

	"dewline/configs"
	"dewline/sensors"
)

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	name   string
	guard  *guard
	make   func(bus i2c.Bus) (senser, error) // nil where nothing is to be set up
	device senser                            // nil until set up, and again after a fault
	setUps uint64
}

// senser measures once. The value is only valid without an error.
type senser interface {
	sense(ctx context.Context) (sensors.Sample, error)
}

// Open returns the probe that p describes (family bme280, aht20 or bh1750) on
// bus. It sends nothing: a probe that is not plugged in yet fails in Sample and
// is picked up there once it answers.
func Open(p configs.Probe, bus i2c.Bus) (*Probe, error) {
	addresses := []int(nil)
	probe := &Probe{guard: &guard{bus: bus}}
	switch p.Family {
	case "bme280":
		addresses = []int{0x76, 0x77}
		probe.guard.check = checkBME280
		probe.make = func(b i2c.Bus) (senser, error) { return newBME280(b, uint16(p.Address)) }
	case "aht20":
		addresses = []int{0x38}
		probe.guard.check = checkAHT20
		probe.make = newAHT20
	case "bh1750":
		addresses = []int{0x23, 0x5C}
		probe.device = &bh1750{bus: probe.guard, addr: uint16(p.Address)}
	default:
		return nil, fmt.Errorf("probe %s: family %q is not read by this driver", p.ID, p.Family)
	}
	if !slices.Contains(addresses, p.Address) {
		return nil, fmt.Errorf("probe %s: a %s has one of the addresses %#x, not %#x", p.ID, p.Family, addresses, p.Address)
	}
	probe.name = name(p.ID, p.Family, p.Address, bus)
	return probe, nil
}

// Sample measures once: about 10 ms for BME280, 80 ms for AHT20, 180 ms for
// BH1750. The values are as the chip gave them. The error is a
// sensors.FaultError, after which the next Sample sets the chip up afresh.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	p.guard.begin(ctx)
	s, err := p.sample(ctx)
	if err != nil {
		err = p.guard.outcome(err)
		if p.make != nil {
			p.device = nil
		}
		return sensors.Sample{}, sensors.Fault(sensors.ReasonOf(err), fmt.Errorf("%s: %w", p.name, err))
	}
	return s, nil
}

func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	if p.device == nil {
		d, err := p.make(p.guard)
		if err != nil {
			return sensors.Sample{}, fmt.Errorf("set up: %w", err)
		}
		p.device = d
		p.setUps++
	}
	return p.device.sense(ctx)
}

// Events returns what the poller counts of it: a set-up after faults counts as
// a restart.
func (p *Probe) Events() sensors.Events {
	return sensors.Events{Restarts: max(p.setUps, 1) - 1}
}

// envSenser is the part of a periph driver that is used.
type envSenser interface {
	Sense(*physic.Env) error
}

// periphDevice adapts a periph driver.
type periphDevice struct{ d envSenser }

func (p periphDevice) sense(context.Context) (sensors.Sample, error) {
	var e physic.Env
	if err := p.d.Sense(&e); err != nil {
		return sensors.Sample{}, err
	}
	return fromEnv(e)
}
