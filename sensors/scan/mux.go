package scan

import (
	"slices"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

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
		s.found = append(s.found, sensors.Finding{Family: sensors.Multiplexer, Bus: s.path, Address: addr,
			Certainty: sensors.Identified, Detail: "its select register reads back"})
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
			_ = bus.Tx(addr, []byte{0}, nil) // perhaps nobody is there
			return false
		}
	}
	return true
}
