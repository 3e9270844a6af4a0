package sht

import (
	"context"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2cbus"
)

// resetAfter is how many faults in a row lead to a soft reset.
const resetAfter = 3

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	family family
	bus    i2c.Bus
	addr   uint16
	name   string // for errors: id, family, address and bus

	known  bool   // set up since the last fault
	offset Offset // stored in the chip
	serial uint64 // of the chip last seen, 32 bits, or 48 for HDC302x; 0 before
	faults int    // in a row
	pulse  pulser
	// cleared says that the chip's mark of a restart was off: one that is on at
	// first, or after a reset of ours, tells of no restart by itself.
	cleared bool
	events  sensors.Events
}

// Open returns the probe that p describes (family sht4x, sht3x or hdc302x) on
// bus. It sends nothing: a probe that is not plugged in yet fails in Sample and
// is picked up there once it answers.
func Open(p configs.Probe, bus i2c.Bus) (*Probe, error) {
	f, ok := families()[p.Family]
	if !ok {
		return nil, fmt.Errorf("probe %s: family %q is not read by this driver", p.ID, p.Family)
	}
	if !slices.Contains(f.addresses, p.Address) {
		return nil, fmt.Errorf("probe %s: a %s has one of the addresses %#x, not %#x", p.ID, f.name, f.addresses, p.Address)
	}
	if every := p.HeaterEvery.D(); every != 0 && every < shortestPulsePeriod {
		return nil, fmt.Errorf("probe %s: heater pulses every %v are too close; the least is %v", p.ID, every, shortestPulsePeriod)
	}
	return &Probe{
		family: f, bus: bus, addr: uint16(p.Address), pulse: newPulser(p.ID, p.HeaterEvery.D()),
		name: fmt.Sprintf("probe %s: %s %#x on %s", p.ID, f.name, p.Address, bus),
	}, nil
}

// Sample measures once, 10 to 17 ms, and returns temperature and humidity as
// the chip gave them. The error is a sensors.FaultError; it is sensors.Heating
// from a heater pulse on until the chip has cooled. A due pulse begins after the
// measurement; SHT3x and HDC302x then take a second longer, because they must
// be told to stop.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	s, err := p.sample(ctx)
	if err != nil {
		if sensors.ReasonOf(err) != sensors.Heating {
			p.known = false
			p.faults++
		}
		return sensors.Sample{}, sensors.Fault(sensors.ReasonOf(err), fmt.Errorf("%s: %w", p.name, err))
	}
	p.faults = 0
	p.maybePulse(ctx, s)
	return s, nil
}

func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	if err := p.stopHeater(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if err := p.setUp(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if err := p.checkStatus(ctx); err != nil {
		return sensors.Sample{}, err
	}
	if left := p.pulse.coolsFor(time.Now()); left > 0 {
		return sensors.Sample{}, sensors.Faultf(sensors.Heating, "cooling down after its heater ran, %v to go", left.Round(time.Second))
	}
	w, err := p.ask(ctx, p.family.measure, p.family.convert, 2)
	if err != nil {
		return sensors.Sample{}, fmt.Errorf("measure: %w", err)
	}
	return sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(scaled(w[0], -45, 175)),
		Humidity:    sensors.CentiPercent(scaled(w[1], p.family.humOffset, p.family.humSpan)),
	}, nil
}

// setUp identifies the chip after start and after every fault, and resets it
// when the faults do not end.
func (p *Probe) setUp(ctx context.Context) error {
	if p.known {
		return nil
	}
	if p.faults >= resetAfter {
		if err := p.send(ctx, p.family.reset); err != nil {
			return fmt.Errorf("reset: %w", err)
		}
		p.faults = 0
		p.events.Restarts++
		p.cleared = false
		if err := i2cbus.Wait(ctx, p.family.resetTime); err != nil {
			return err
		}
	}
	serial, err := p.identify(ctx)
	switch {
	case err == nil:
		if p.serial != 0 && serial != p.serial {
			p.events.Replaced++
			p.cleared = false
		}
		p.serial = serial
	case !p.family.mute:
		return fmt.Errorf("read the serial number: %w", err)
	}
	if p.offset, err = p.storedOffset(ctx); err != nil {
		return fmt.Errorf("read the stored offset: %w", err)
	}
	p.known = true
	return nil
}

// An Offset is a correction that somebody has stored in the chip, which then
// adds it to every measurement where no log shows it.
type Offset struct {
	Temperature sensors.CentiCelsius
	Humidity    sensors.CentiPercent
}

// storedOffset reads the offset of an HDC302x: for each quantity a sign bit, 1
// for plus, and seven bits of the count from bit 7 for humidity and bit 6 for
// temperature on (TI SNAS817D; the steps agree with periph's hdc302x driver).
func (p *Probe) storedOffset(ctx context.Context) (Offset, error) {
	if len(p.family.offset) == 0 {
		return Offset{}, nil
	}
	w, err := p.ask(ctx, p.family.offset, time.Millisecond, 1)
	if err != nil {
		return Offset{}, err
	}
	signed := func(b byte, shift int, span float64) int32 {
		v := scaled(uint16(b&0x7F)<<shift, 0, span)
		if b&0x80 == 0 {
			return -v
		}
		return v
	}
	return Offset{
		Humidity:    sensors.CentiPercent(signed(byte(w[0]>>8), 7, 100)),
		Temperature: sensors.CentiCelsius(signed(byte(w[0]), 6, 175)),
	}, nil
}

// StoredOffset returns the offset found in the chip, zero before the first good
// Sample and for families that cannot store one.
func (p *Probe) StoredOffset() Offset { return p.offset }

func (p *Probe) identify(ctx context.Context) (uint64, error) {
	var serial uint64
	for _, c := range p.family.identity {
		w, err := p.ask(ctx, c, time.Millisecond, p.family.idWords)
		if err != nil {
			return 0, err
		}
		for _, v := range w[:p.family.idWords] {
			serial = serial<<16 | uint64(v)
		}
	}
	return serial, nil
}

// checkStatus looks for a restart and for a heater that is on unasked: left on
// by a crash, or by a glitch on the bus.
func (p *Probe) checkStatus(ctx context.Context) error {
	if len(p.family.status) == 0 {
		return nil
	}
	w, err := p.ask(ctx, p.family.status, time.Millisecond, 1)
	if err != nil {
		return fmt.Errorf("read the status: %w", err)
	}
	if w[0]&statusHeater != 0 {
		p.pulse.on = true
		return p.stopHeater(ctx)
	}
	if w[0]&statusReset != 0 {
		if err := p.send(ctx, p.family.clear); err != nil {
			return fmt.Errorf("clear the status: %w", err)
		}
		if p.cleared {
			p.events.Restarts++
		}
	}
	p.cleared = true
	return nil
}

// ask sends a command, waits, and reads n words, as two transfers: with a
// repeated start the chip would have to stretch the clock.
func (p *Probe) ask(ctx context.Context, c command, wait time.Duration, n int) ([3]uint16, error) {
	if err := p.send(ctx, c); err != nil {
		return [3]uint16{}, err
	}
	if err := i2cbus.Wait(ctx, wait); err != nil {
		return [3]uint16{}, err
	}
	var frame [9]byte
	if err := p.bus.Tx(p.addr, nil, frame[:3*n]); err != nil {
		return [3]uint16{}, err
	}
	return words(frame[:3*n])
}

func (p *Probe) send(ctx context.Context, c command) error {
	if err := ctx.Err(); err != nil {
		return sensors.Fault(sensors.TimedOut, err)
	}
	return p.bus.Tx(p.addr, c, nil)
}

// Events returns what the poller counts of it.
func (p *Probe) Events() sensors.Events { return p.events }
