// Package i2c reaches I²C buses through the kernel's /dev/i2c-N and the channels of
// TCA9548A-class multiplexers on them. Both satisfy periph's interface of a bus and are
// safe for concurrent use, though in dewline one goroutine owns one bus.
//
// Errors are sensors.FaultError; a device that does not acknowledge is ErrNoAnswer.
package i2c
