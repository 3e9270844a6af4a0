// Package bh1750 reads ROHM's BH1750FVI light probe. Periph's driver never sends
// the power-on command and starts a new measurement in the very transfer that
// reads the old one.
package bh1750

import (
	"context"
	"fmt"
	"math"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// Commands of the BH1750FVI (ROHM data sheet 2011.11 rev D, instruction set).
const (
	powerOn = 0x01
	once    = 0x20 // one measurement at 1 lx, then power down
	convert = 180 * time.Millisecond
	perLux  = 1.2 // counts per lux
)

// Family is the BH1750's row: light only; a dark night is one value for hours.
// At its lowest sensitivity the chip ends at 121,557 lx (from memory).
func Family() sensors.Family {
	return sensors.Family{
		Name: "bh1750", Addresses: []int{0x23, 0x5C}, Limits: sensors.Limits{Brightest: 130_000},
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) {
			return &Probe{chip: i2c.At(p, bus)}, nil
		},
		Identify: identify,
	}
}

// identify only reads: a BH1750 cannot be identified, and a port expander
// (PCF8574) may sit at the same address.
func identify(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
	var b [2]byte
	if (i2c.Device{Bus: bus, Addr: addr}).Read(ctx, b[:]) != nil {
		return "", ""
	}
	return "something answers here; this chip cannot be told from others", sensors.Guessed
}

// A Probe is one chip. It is for one goroutine. The chip has no checksum, no
// status and no register that survives to tell of a restart.
type Probe struct {
	chip i2c.Device
	dark bool // the sample before counted zero
}

// Sample measures once, 180 ms, or twice where the count is like that of a
// fault. The error is a sensors.FaultError.
func (p *Probe) Sample(ctx context.Context) (sensors.Sample, error) {
	s, err := p.sample(ctx)
	return s, sensors.Located(p.chip.Name, err)
}

// sample takes a count that a fault may have made only from two measurements in
// a row: zero is also what a chip shows that restarted, and a low byte of 0xFF
// is also what an answer that breaks off ends in. Darkness must besides last
// into the next sample; lamps going off cost one reading.
func (p *Probe) sample(ctx context.Context) (sensors.Sample, error) {
	count, err := p.measure(ctx)
	if err == nil && doubtful(count) {
		first := count
		count, err = p.measure(ctx)
		if err == nil && doubtful(count) && count != first {
			err = sensors.Faultf(sensors.BadCRC, "counted %d and then %d, both like answers of a fault", first, count)
		}
	}
	if err != nil {
		return sensors.Sample{}, err
	}
	wasDark := p.dark
	p.dark = count == 0
	if p.dark && !wasDark {
		return sensors.Sample{}, sensors.Faultf(sensors.AllZero, "no light at all; believed if the next sample says so too")
	}
	lux := math.Round(float64(count) / perLux)
	return sensors.Sample{Has: sensors.HasLight, LightLux: uint32(lux)}, nil
}

func doubtful(count uint16) bool { return count == 0 || count&0xFF == 0xFF }

// measure returns the count of one measurement.
func (p *Probe) measure(ctx context.Context) (uint16, error) {
	var frame, again [2]byte
	err := p.chip.Send(ctx, powerOn)
	if err == nil {
		err = p.chip.Ask(ctx, []byte{once}, convert, frame[:])
	}
	if err == nil {
		err = p.chip.Read(ctx, again[:])
	}
	switch {
	case err != nil:
		return 0, fmt.Errorf("measure: %w", err)
	case frame != again: // the result stands still until the next command
		return 0, sensors.Faultf(sensors.BadCRC, "read % x and then % x", frame, again)
	case i2c.All(frame[:], 0xFF):
		return 0, sensors.Faultf(sensors.OutOfRange, "brighter than the chip can tell, or nothing drives the line")
	}
	return uint16(frame[0])<<8 | uint16(frame[1]), nil
}
