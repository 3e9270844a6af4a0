// Package sht reads Sensirion's SHT4x and SHT3x humidity probes and TI's HDC302x, which
// speaks the SHT3x command set with another identity register.
//
// Each measures on demand and sleeps between two polls, so it neither warms itself nor
// delivers an old value after a brown-out. Values are as measured: an SHT4x may say 103 %,
// which means condensation or dirt. A chip that browned out, was swapped or was left
// heating is set right by the next Sample.
//
// Heater pulses against creep are driven here too, since only the driver knows when its
// chip has cooled: until then Sample fails with sensors.Heating.
package sht

import (
	"context"
	"fmt"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// SHT4x is Sensirion's, data sheet v6/v7: raw temperature -45 to 130 °C, raw
// humidity -6 to 119 %, clipped by the reader.
func SHT4x() sensors.Family {
	return row("sht4x", []int{0x44, 0x45, 0x46}, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Wettest: 11900,
		Zeros: sensors.Zeros(-4500, -600), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 1.8, PercentAt100: 3.0, PercentYear: 0.25, Hysteresis: 0.8},
	}, dialect{
		measure: command{0xFD}, convert: 10 * time.Millisecond,
		identity: []command{{0x89}}, idWords: 2,
		reset: command{0x94}, resetTime: 2 * time.Millisecond,
		humOffset: -6, humSpan: 125,
		// 110 mW for 1 s.
		heater: heater{self: command{0x2F}, run: 1100 * time.Millisecond},
	}, command{0x89}, 2, func(w [3]uint16) (string, bool) {
		return fmt.Sprintf("serial number %04x%04x", w[0], w[1]), true
	})
}

// SHT3x is Sensirion's, data sheet SHT3x-DIS v7, the widest part (SHT30).
func SHT3x() sensors.Family {
	return row("sht3x", []int{0x44, 0x45}, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Wettest: 10000,
		Zeros: sensors.Zeros(-4500, 0), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 2.0, PercentAt100: 4.0, PercentYear: 0.25, Hysteresis: 0.8},
	}, dialect{
		measure: command{0x24, 0x00}, convert: 17 * time.Millisecond,
		identity: []command{{0x36, 0x82}}, idWords: 2, mute: true,
		reset: command{0x30, 0xA2}, resetTime: 3 * time.Millisecond,
		humSpan: 100,
		status:  command{0xF3, 0x2D}, clear: command{0x30, 0x41},
		heater: heater{on: command{0x30, 0x6D}, off: command{0x30, 0x66}, run: time.Second},
	}, command{0xF3, 0x2D}, 1, func(w [3]uint16) (string, bool) {
		return fmt.Sprintf("status %04x", w[0]), true
	})
}

// HDC302x is TI's: -40 to 125 °C; ±3.5 %RH at most over 0 to 100 %.
func HDC302x() sensors.Family {
	return row("hdc302x", []int{0x44, 0x45, 0x46, 0x47}, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Wettest: 10000,
		Zeros: sensors.Zeros(-4500, 0), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 1.5, PercentAt100: 3.5, PercentYear: 0.19, Hysteresis: 0.8},
	}, dialect{
		measure: command{0x24, 0x00}, convert: 17 * time.Millisecond,
		identity: []command{{0x36, 0x83}, {0x36, 0x84}, {0x36, 0x85}}, idWords: 1,
		reset: command{0x30, 0xA2}, resetTime: 5 * time.Millisecond,
		humSpan: 100,
		status:  command{0xF3, 0x2D}, clear: command{0x30, 0x41},
		heater: heater{
			setup: command{0x30, 0x6E, 0x03, 0xFF, i2c.CRC8(0x03, 0xFF)}, // half power
			on:    command{0x30, 0x6D}, off: command{0x30, 0x66}, run: time.Second,
		},
	}, command{0x37, 0x81}, 1, func(w [3]uint16) (string, bool) {
		return "maker's number 3000", w[0] == 0x3000
	})
}

// row is what the families share. A chip is told by its answer of n words to an
// identity command: of the serial number, by one byte that the others do not know, of
// the maker's number, or of the status, which an HDC302x has too, so that the SHT3x is
// asked last.
func row(name string, addresses []int, l sensors.Limits, d dialect, told command, n int, is func([3]uint16) (string, bool)) sensors.Family {
	return sensors.Family{
		Name: name, Addresses: addresses, Allows: []string{"heater_every"}, Check: checkHeater,
		Measures: sensors.Both, Limits: l,
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) {
			return &Probe{dialect: d, chip: i2c.At(p, bus), pulse: newPulser(p.ID, p.HeaterEvery.D())}, nil
		},
		Identify: func(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
			w, err := ask(ctx, i2c.Device{Bus: bus, Addr: addr}, told, time.Millisecond, n)
			if detail, ok := is(w); ok && err == nil {
				return detail, sensors.Identified
			}
			return "", ""
		},
	}
}

// checkHeater looks at how often the heater is to be pulsed.
func checkHeater(s *configs.Section, p configs.Probe) {
	if p.HeaterEvery != 0 {
		s.Within("heater_every", p.HeaterEvery, configs.Duration(shortestPulsePeriod), configs.Duration(longestPulsePeriod))
	}
}

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
