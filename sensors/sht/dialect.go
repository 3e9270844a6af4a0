package sht

import "time"

// command is what is written before a chip does or tells something.
type command []byte

// dialect is what differs between the chips. Times and commands are from the data sheets,
// SHT4x v6, SHT3x-DIS v7 and TI SNAS817D for HDC302x (whose other commands are those of
// periph's hdc302x driver too); the SHT3x's serial number from Sensirion's note on its
// electronic identification code. A millisecond or two is added to the longest times.
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
