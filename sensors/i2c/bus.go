// Package i2c reaches I²C buses through the kernel's /dev/i2c-N and the channels of
// TCA9548A-class multiplexers on them. Both satisfy periph's interface of a bus and are
// safe for concurrent use, though in dewline one goroutine owns one bus.
//
// Errors are sensors.FaultError; a device that does not acknowledge is ErrNoAnswer.
package i2c

import (
	"context"
	"fmt"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/configs"
	"dewline/sensors"
)

// A Bus is periph's interface of one I²C bus, on which its drivers run too.
type Bus = i2c.Bus

// A BusCloser is a Bus that can be closed.
type BusCloser = i2c.BusCloser

// A Device is one chip on a bus. Its transfers begin only within their context;
// a transfer itself is bounded by the bus.
type Device struct {
	Bus  Bus
	Addr uint16
	Name string // for errors: id, family, address and bus
}

// At returns the chip of a probe on its bus.
func At(p configs.Probe, bus Bus) Device {
	return Device{Bus: bus, Addr: uint16(p.Address), Name: fmt.Sprintf("probe %s: %s %#x on %s", p.ID, p.Family, p.Address, bus)}
}

// Send writes w.
func (d Device) Send(ctx context.Context, w ...byte) error { return d.Tx(ctx, w, nil) }

// Read fills r.
func (d Device) Read(ctx context.Context, r []byte) error { return d.Tx(ctx, nil, r) }

// Tx writes w and reads r in one transaction.
func (d Device) Tx(ctx context.Context, w, r []byte) error {
	if err := ctx.Err(); err != nil {
		return sensors.Fault(sensors.TimedOut, err)
	}
	return d.Bus.Tx(d.Addr, w, r)
}

// Ask writes a command, lets the chip work and reads its answer, as two
// transfers: with a repeated start many chips would stretch the clock.
func (d Device) Ask(ctx context.Context, command []byte, work time.Duration, r []byte) error {
	if err := d.Tx(ctx, command, nil); err != nil {
		return err
	}
	if err := Wait(ctx, work); err != nil {
		return err
	}
	return d.Tx(ctx, nil, r)
}

// Wait lets a chip work for d. It ends early, with an error, where ctx does.
func Wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return sensors.Fault(sensors.TimedOut, ctx.Err())
	}
}

// CRC8 is the checksum of SHT3x, SHT4x, HDC302x and AHT20: polynomial 0x31,
// start 0xFF, not reflected, no final xor (SHT3x-DIS data sheet v7, section
// 4.12: 0xBEEF gives 0x92).
func CRC8(data ...byte) byte {
	crc := byte(0xFF)
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// All reports whether every byte is v: what a line that nobody drives, or a
// chip without a measurement, gives.
func All(b []byte, v byte) bool {
	for _, x := range b {
		if x != v {
			return false
		}
	}
	return true
}
