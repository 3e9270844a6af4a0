package scan

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
	"dewline/sensors/sht"
)

// candidate is how to recognise what sits at certain addresses. ask returns an
// empty family where nothing it knows answers.
type candidate struct {
	addresses []int
	ask       func(ctx context.Context, bus i2c.Bus, addr uint16) (family, detail string, c Certainty)
}

func candidates() []candidate {
	return []candidate{
		{[]int{0x44, 0x45, 0x46, 0x47}, askHumidity},
		{[]int{0x76, 0x77}, askBosch},
		{[]int{0x38}, askAHT20},
		{[]int{0x23, 0x5C}, askBH1750},
	}
}

// answer writes a command, waits, and reads n bytes.
func answer(ctx context.Context, bus i2c.Bus, addr uint16, command []byte, wait time.Duration, n int) ([]byte, error) {
	if err := bus.Tx(addr, command, nil); err != nil {
		return nil, err
	}
	if err := i2cbus.Wait(ctx, wait); err != nil {
		return nil, err
	}
	b := make([]byte, n)
	err := bus.Tx(addr, nil, b)
	return b, err
}

// checked reports whether every pair of bytes is followed by its checksum.
func checked(b []byte) bool {
	for ; len(b) >= 3; b = b[3:] {
		if sht.CRC8(b[0], b[1]) != b[2] {
			return false
		}
	}
	return true
}

// askHumidity tells SHT4x, HDC302x and SHT3x apart: the first answers a one-byte
// command that the others do not know, the second has a maker's number, and the
// third, only once the others have been asked twice, a status with a checksum.
func askHumidity(ctx context.Context, bus i2c.Bus, addr uint16) (string, string, Certainty) {
	for range attempts {
		if b, err := answer(ctx, bus, addr, []byte{0x89}, time.Millisecond, 6); err == nil && checked(b) {
			return "sht4x", fmt.Sprintf("serial number %02x%02x%02x%02x", b[0], b[1], b[3], b[4]), Identified
		}
		if b, err := answer(ctx, bus, addr, []byte{0x37, 0x81}, time.Millisecond, 3); err == nil && checked(b) && b[0] == 0x30 && b[1] == 0 {
			return "hdc302x", "maker's number 3000", Identified
		}
	}
	if b, err := answer(ctx, bus, addr, []byte{0xF3, 0x2D}, time.Millisecond, 3); err == nil && checked(b) {
		return "sht3x", fmt.Sprintf("status %02x%02x", b[0], b[1]), Identified
	}
	return "", "", ""
}

// askBosch reads the identity register of a BME280 and its relatives.
func askBosch(_ context.Context, bus i2c.Bus, addr uint16) (string, string, Certainty) {
	var id [1]byte
	if bus.Tx(addr, []byte{0xD0}, id[:]) != nil || id[0] != 0x60 {
		return "", "", ""
	}
	return "bme280", "chip id 60", Identified
}

// askAHT20 reads first and writes only if the answer cannot be that of a port
// expander (PCF8574A), which repeats one byte, its pins.
func askAHT20(ctx context.Context, bus i2c.Bus, addr uint16) (string, string, Certainty) {
	b := make([]byte, 7)
	if bus.Tx(addr, nil, b) != nil {
		return "", "", ""
	}
	if repeats(b) {
		return "aht20", "something answers here, perhaps a port expander; nothing was written to it", Guessed
	}
	if b, err := answer(ctx, bus, addr, []byte{0xAC, 0x33, 0x00}, 100*time.Millisecond, 7); err == nil && sht.CRC8(b[:6]...) == b[6] {
		return "aht20", "measured with a right checksum", Identified
	}
	return "aht20", "answers without a right checksum, as an AHT10 does", Guessed
}

// askBH1750 only reads: a BH1750 cannot be identified, and a port expander
// (PCF8574) may sit at the same address.
func askBH1750(_ context.Context, bus i2c.Bus, addr uint16) (string, string, Certainty) {
	b := make([]byte, 2)
	if bus.Tx(addr, nil, b) != nil {
		return "", "", ""
	}
	return "bh1750", "something answers here; this chip cannot be told from others", Guessed
}

func repeats(b []byte) bool {
	return !slices.ContainsFunc(b, func(v byte) bool { return v != b[0] })
}

// findMuxes finds the multiplexers at 0x70 to 0x77: what is written to one
// reads back. A BME280 shares two of the addresses and is asked first, by a
// byte that at worst opens channels of a multiplexer for a moment.
func (s *busScan) findMuxes(bus i2c.Bus) []uint16 {
	var muxes []uint16
	for addr := 0x70; addr <= 0x77; addr++ {
		if s.held[addr] || slices.Contains(s.skip, addr) {
			continue
		}
		if !askMux(bus, uint16(addr)) {
			continue
		}
		muxes = append(muxes, uint16(addr))
		s.answered = append(s.answered, addr)
		s.found = append(s.found, Finding{Family: Multiplexer, Bus: s.path, Address: addr,
			Certainty: Identified, Detail: "its select register reads back"})
	}
	return muxes
}

// askMux asks again, as ask does.
func askMux(bus i2c.Bus, addr uint16) bool {
	for range attempts {
		if isMux(bus, addr) {
			return true
		}
	}
	return false
}

func isMux(bus i2c.Bus, addr uint16) bool {
	var id [1]byte
	if addr >= 0x76 && bus.Tx(addr, []byte{0xD0}, id[:]) == nil && id[0] != 0xD0 {
		return false // a Bosch chip, or no multiplexer at any rate
	}
	for _, v := range []byte{0x05, 0x0A, 0x00} {
		var back [1]byte
		if bus.Tx(addr, []byte{v}, nil) != nil || bus.Tx(addr, nil, back[:]) != nil || back[0] != v {
			// Whatever it is, it is left with no channel open.
			_ = closeChannels(bus, addr)
			return false
		}
	}
	return true
}

func closeChannels(bus i2c.Bus, addr uint16) error {
	err := bus.Tx(addr, []byte{0}, nil)
	if errors.Is(err, i2cbus.ErrNoAnswer) {
		return nil // nobody there
	}
	return err
}
