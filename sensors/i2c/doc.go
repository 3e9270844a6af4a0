// Package i2c reaches I²C buses through the kernel's /dev/i2c-N and the
// channels of TCA9548A-class multiplexers on them.
//
// File and the buses that a Tree hands out satisfy periph's interface of a bus,
// so any driver written against that runs on them. All are safe for
// concurrent use, but the design has one goroutine own one bus: a second one
// only ever waits.
//
// What the bytes mean is the drivers' business.
// Errors are sensors.FaultError; a device that does not acknowledge is
// ErrNoAnswer.
package i2c
