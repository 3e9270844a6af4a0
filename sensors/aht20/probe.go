// Package aht20 reads ASAIR's AHT20 (data sheet v1.1). Its address is fixed, so
// there is one a bus or multiplexer channel.
//
// A frame has a checksum, but a chip that restarted, one that never measured
// and one that breaks off can still pass it; each is refused by its own sign.
package aht20

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

const (
	convert   = 80 * time.Millisecond // data sheet v1.1, section 5.4
	again     = 10 * time.Millisecond
	busyLimit = 150 * time.Millisecond // beyond the conversion
	setUpTime = 10 * time.Millisecond

	busy       = 1 << 7 // bits of the status
	calibrated = 1 << 3
)

// measure is the command that starts a measurement (data sheet, section 5.3).
func measure() []byte { return []byte{0xAC, 0x33, 0x00} }

// A frame is status, 20 bits each of humidity and temperature, and checksum.
type frame [7]byte

// Family is the AHT20's row. Limits and accuracy are from memory.
func Family() sensors.Family {
	return sensors.Family{
		Name: "aht20", Addresses: []int{0x38}, Measures: sensors.Both,
		Limits: sensors.Limits{
			Coldest: -4000, Hottest: 8500, Wettest: 10000,
			Zeros: sensors.Zeros(-5000, 0), Coarse: 1,
			Accuracy: sensors.Accuracy{Celsius: 0.3, CelsiusYear: 0.1, Percent: 2.0, PercentAt100: 4.0, PercentYear: 0.5, Hysteresis: 1.0},
		},
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) {
			return &Probe{chip: i2c.At(p, bus)}, nil
		},
		Identify: identify,
	}
}

// identify reads first and writes only if the answer cannot be that of a port
// expander (PCF8574A), which repeats one byte, its pins.
func identify(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
	chip, f := i2c.Device{Bus: bus, Addr: addr}, frame{}
	if chip.Read(ctx, f[:]) != nil {
		return "", ""
	}
	if i2c.All(f[:], f[0]) {
		return "something answers here, perhaps a port expander; nothing was written to it", sensors.Guessed
	}
	if chip.Ask(ctx, measure(), convert+busyLimit/4, f[:]) == nil && f.checked() {
		return "measured with a right checksum", sensors.Identified
	}
	return "answers without a right checksum, as an AHT10 does", sensors.Guessed
}

// A Probe is one chip. It is for one goroutine.
type Probe struct {
	chip   i2c.Device
	ready  bool // set up since the last fault
	setUps uint64
}

// Sample measures once, about 80 ms. The error is a sensors.FaultError, after which the
// next Sample sets the chip up afresh.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	s, err := p.sample(ctx)
	p.ready = err == nil
	return s, sensors.Located(p.chip.Name, err)
}

func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	if !p.ready {
		if err := p.setUp(ctx); err != nil {
			return sensors.Sample{}, fmt.Errorf("set up: %w", err)
		}
		p.setUps++
	}
	var f frame
	if err := p.chip.Ask(ctx, measure(), convert, f[:]); err != nil {
		return sensors.Sample{}, err
	}
	if err := p.finish(ctx, &f); err != nil {
		return sensors.Sample{}, err
	}
	return f.decode(), nil
}

// setUp calibrates a chip that has restarted.
func (p *Probe) setUp(ctx context.Context) error {
	var status [1]byte
	if err := p.chip.Tx(ctx, []byte{0x71}, status[:]); err != nil {
		return err
	}
	if status[0]&calibrated != 0 {
		return nil
	}
	if err := p.chip.Send(ctx, 0xBE, 0x08, 0x00); err != nil {
		return err
	}
	return i2c.Wait(ctx, setUpTime)
}

// finish waits for a busy chip and refuses a frame that is no measurement.
func (p *Probe) finish(ctx context.Context, f *frame) error {
	for waited := time.Duration(0); f[0]&busy != 0; waited += again {
		if i2c.All(f[:], 0xFF) {
			return sensors.Faultf(sensors.BadCRC, "frame % x: nothing drives the line", f[:])
		}
		if waited >= busyLimit {
			return sensors.Faultf(sensors.StuckBusy, "still busy after %v", busyLimit)
		}
		if err := i2c.Wait(ctx, again); err != nil {
			return err
		}
		if err := p.chip.Read(ctx, f[:]); err != nil {
			return err
		}
	}
	if i2c.All(f[1:6], 0) { // 0 % at -50 °C
		return sensors.Faultf(sensors.AllZero, "frame % x holds no measurement", f[:])
	}
	if f[5] == 0xFF && f[6] == 0xFF {
		// A true frame that happens to end like one that broke off is repeated.
		var second frame
		if err := p.chip.Read(ctx, second[:]); err != nil {
			return err
		}
		if !bytes.Equal(f[:], second[:]) {
			return sensors.Faultf(sensors.BadCRC, "frame % x breaks off", f[:])
		}
	}
	if !f.checked() {
		return sensors.Faultf(sensors.BadCRC, "frame % x has checksum %#02x, want %#02x", f[:], f[6], i2c.CRC8(f[:6]...))
	}
	if f[0]&calibrated == 0 {
		return sensors.Faultf(sensors.PowerOnValue, "the chip has restarted: it is not calibrated")
	}
	return nil
}

func (f *frame) checked() bool { return i2c.CRC8(f[:6]...) == f[6] }

// decode applies the formulas of section 6: RH = S/2^20, T = 200·S/2^20 - 50.
func (f *frame) decode() sensors.Sample {
	const full = 1 << 20
	h := uint32(f[1])<<12 | uint32(f[2])<<4 | uint32(f[3])>>4
	t := uint32(f[3]&0xF)<<16 | uint32(f[4])<<8 | uint32(f[5])
	return sensors.Sample{
		Has:         sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CentiCelsius(math.Round(float64(t)*200_00/full)) - 50_00,
		Humidity:    sensors.CentiPercent(math.Round(float64(h) * 100_00 / full)),
	}
}

// Events returns what the poller counts of it: a set-up after faults counts as
// a restart.
func (p *Probe) Events() sensors.Events { return sensors.Events{Restarts: max(p.setUps, 1) - 1} }
