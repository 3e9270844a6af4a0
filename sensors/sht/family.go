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
	return row("sht4x", []int{0x44, 0x45, 0x46}, isSHT4x, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Driest: -600, Wettest: 11900,
		Zeros: sensors.Zeros(-4500, -600), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 1.8, PercentAt100: 3.0, PercentYear: 0.25, Hysteresis: 0.8},
	})
}

// SHT3x is Sensirion's, data sheet SHT3x-DIS v7, the widest part (SHT30).
func SHT3x() sensors.Family {
	return row("sht3x", []int{0x44, 0x45}, isSHT3x, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Driest: 0, Wettest: 10000,
		Zeros: sensors.Zeros(-4500, 0), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 2.0, PercentAt100: 4.0, PercentYear: 0.25, Hysteresis: 0.8},
	})
}

// HDC302x is TI's: -40 to 125 °C; ±3.5 %RH at most over 0 to 100 %.
func HDC302x() sensors.Family {
	return row("hdc302x", []int{0x44, 0x45, 0x46, 0x47}, isHDC302x, sensors.Limits{
		Coldest: -4000, Hottest: 12500, Driest: 0, Wettest: 10000,
		Zeros: sensors.Zeros(-4500, 0), Coarse: 1,
		Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 1.5, PercentAt100: 3.5, PercentYear: 0.19, Hysteresis: 0.8},
	})
}

func row(name string, addresses []int, is func(context.Context, i2c.Device) (string, bool), l sensors.Limits) sensors.Family {
	return sensors.Family{
		Name: name, Addresses: addresses, Allows: []string{"heater_every"}, Check: checkHeater,
		Measures: sensors.Both, Limits: l,
		Open: func(p configs.Probe, bus i2c.Bus) (sensors.Sampler, error) { return Open(p, bus) },
		Identify: func(ctx context.Context, bus i2c.Bus, addr uint16) (string, sensors.Certainty) {
			if detail, ok := is(ctx, i2c.Device{Bus: bus, Addr: addr}); ok {
				return detail, sensors.Identified
			}
			return "", ""
		},
	}
}

// isSHT4x asks for the serial number, by a one-byte command that the others do
// not know.
func isSHT4x(ctx context.Context, d i2c.Device) (string, bool) {
	var b [6]byte
	err := d.Ask(ctx, []byte{0x89}, time.Millisecond, b[:])
	return fmt.Sprintf("serial number %02x%02x%02x%02x", b[0], b[1], b[3], b[4]), err == nil && checked(b[:])
}

// isHDC302x asks for the maker's number.
func isHDC302x(ctx context.Context, d i2c.Device) (string, bool) {
	var b [3]byte
	err := d.Ask(ctx, []byte{0x37, 0x81}, time.Millisecond, b[:])
	return "maker's number 3000", err == nil && checked(b[:]) && b[0] == 0x30 && b[1] == 0
}

// isSHT3x asks for the status, which an HDC302x has too: it is asked last.
func isSHT3x(ctx context.Context, d i2c.Device) (string, bool) {
	var b [3]byte
	err := d.Ask(ctx, []byte{0xF3, 0x2D}, time.Millisecond, b[:])
	return fmt.Sprintf("status %02x%02x", b[0], b[1]), err == nil && checked(b[:])
}

// checked reports whether every pair of bytes is followed by its checksum.
func checked(b []byte) bool {
	for ; len(b) >= 3; b = b[3:] {
		if i2c.CRC8(b[0], b[1]) != b[2] {
			return false
		}
	}
	return true
}

// checkHeater looks at how often the heater is to be pulsed.
func checkHeater(s *configs.Section, p configs.Probe, _ *configs.Config) {
	if p.HeaterEvery != 0 {
		s.Within("heater_every", p.HeaterEvery, configs.Duration(shortestPulsePeriod), configs.Duration(longestPulsePeriod))
	}
}
