package sht

import (
	"time"

	"dewline/sensors/i2c"
)

// command is what is written before a chip does or tells something.
type command []byte

// dialect is what differs between the chips.
type dialect struct {
	measure  command
	convert  time.Duration // longest conversion, high repeatability
	identity []command     // the serial number
	idWords  int           // words in the answer to each identity command
	// mute is set where some chips on the market do not tell their serial
	// number though they measure; the status register vouches for them.
	mute      bool
	reset     command
	resetTime time.Duration
	// Humidity is humOffset + humSpan·word/65535; temperature is alike for all.
	humOffset, humSpan float64
	// status is empty for a chip without a status register.
	status, clear command
	offset        command // empty for a chip that stores none
	heater        heater
}

// heater is how a chip's heater is pulsed. One with an on command runs until
// off; one without stops by itself at the end of the pulse and answers the
// pulse command with a frame of hot air.
type heater struct {
	setup   command // sets the power
	on, off command
	self    command
	run     time.Duration // at least a second, which common practice finds enough
}

const (
	statusHeater = 1 << 13
	statusReset  = 1 << 4
)

// dialects returns the chips by the name that the configuration uses. Times
// and commands are from the data sheets, SHT4x v6, SHT3x-DIS v7 and TI SNAS817D
// for HDC302x (whose other commands are those of periph's hdc302x driver too);
// the SHT3x's serial number from Sensirion's note on its electronic
// identification code. A millisecond or two is added to the longest times.
func dialects() map[string]dialect {
	return map[string]dialect{
		"sht4x": {
			measure: command{0xFD}, convert: 10 * time.Millisecond,
			identity: []command{{0x89}}, idWords: 2,
			reset: command{0x94}, resetTime: 2 * time.Millisecond,
			humOffset: -6, humSpan: 125,
			// 110 mW for 1 s.
			heater: heater{self: command{0x2F}, run: 1100 * time.Millisecond},
		},
		"sht3x": {
			measure: command{0x24, 0x00}, convert: 17 * time.Millisecond,
			identity: []command{{0x36, 0x82}}, idWords: 2, mute: true,
			reset: command{0x30, 0xA2}, resetTime: 3 * time.Millisecond,
			humSpan: 100,
			status:  command{0xF3, 0x2D}, clear: command{0x30, 0x41},
			heater: heater{on: command{0x30, 0x6D}, off: command{0x30, 0x66}, run: time.Second},
		},
		"hdc302x": {
			measure: command{0x24, 0x00}, convert: 17 * time.Millisecond,
			identity: []command{{0x36, 0x83}, {0x36, 0x84}, {0x36, 0x85}}, idWords: 1,
			reset: command{0x30, 0xA2}, resetTime: 5 * time.Millisecond,
			humSpan: 100,
			status:  command{0xF3, 0x2D}, clear: command{0x30, 0x41},
			offset: command{0xA0, 0x04},
			heater: heater{
				setup: command{0x30, 0x6E, 0x03, 0xFF, i2c.CRC8(0x03, 0xFF)}, // half power
				on:    command{0x30, 0x6D}, off: command{0x30, 0x66}, run: time.Second,
			},
		},
	}
}
