// Package scan finds out which probes are connected: on the I²C buses and behind their
// multiplexers, on 1-Wire and in the kernel's IIO and hwmon directories.
//
// It is careful: port expanders that may drive relays live at addresses of light and
// humidity probes and take any byte as an order, so there it only reads until the answer
// cannot be an expander's. Addresses that a kernel driver holds are left alone. Nothing
// else may use the buses during a scan.
package scan

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"dewline/sensors"
	"dewline/sensors/i2c"
	"dewline/sensors/kernfile"
)

// Options say where to look. The zero value is the real machine.
type Options struct {
	Dev string // "/dev"
	Sys string // "/sys"
	// OpenBus opens the bus behind a device file; nil means i2c.Open.
	OpenBus func(path string) (i2c.BusCloser, error)
}

// attempts is how often a silent address is asked.
const attempts = 2

// Scan looks everywhere for probes of the given families and returns what it
// found, in the order of buses and families. The error joins what could not be
// looked at; findings are valid beside it.
func Scan(ctx context.Context, families []sensors.Family, o Options) ([]sensors.Finding, error) {
	if o.Dev == "" {
		o.Dev = "/dev"
	}
	if o.Sys == "" {
		o.Sys = "/sys"
	}
	if o.OpenBus == nil {
		o.OpenBus = func(path string) (i2c.BusCloser, error) { return i2c.Open(path) }
	}
	found, err := scanBuses(ctx, families, o)
	faults := []error{err}
	for _, f := range families {
		if f.Find != nil {
			more, err := f.Find(o.Sys)
			found, faults = append(found, more...), append(faults, err)
		}
	}
	return found, errors.Join(faults...)
}

// busNumbers returns the N of every /dev/i2c-N, ascending, so that a bus comes
// before the kernel's buses for the channels of multiplexers on it.
func busNumbers(dev string) ([]int, error) {
	paths, err := filepath.Glob(filepath.Join(dev, "i2c-*"))
	if err != nil {
		return nil, fmt.Errorf("look for I2C buses in %s: %w", dev, err)
	}
	var numbers []int
	for _, p := range paths {
		if n, err := strconv.Atoi(strings.TrimPrefix(filepath.Base(p), "i2c-")); err == nil {
			numbers = append(numbers, n)
		}
	}
	slices.Sort(numbers)
	return numbers, nil
}

func scanBuses(ctx context.Context, families []sensors.Family, o Options) ([]sensors.Finding, error) {
	numbers, err := busNumbers(o.Dev)
	if err != nil {
		return nil, err
	}
	var found []sensors.Finding
	var faults []error
	seen := map[int][]int{} // addresses that answered, by bus number
	for _, n := range numbers {
		path := filepath.Join(o.Dev, "i2c-"+strconv.Itoa(n))
		s := busScan{ctx: ctx, families: families, path: path, held: heldAddresses(o.Sys, n)}
		// What sits on the parent also answers on a kernel multiplexer's channel.
		if parent, ok := parentBus(o.Sys, n); ok {
			s.skip = seen[parent]
		}
		if err := s.run(o.OpenBus); err != nil {
			faults = append(faults, err)
		}
		seen[n] = append(s.skip, s.answered...)
		found = append(found, s.found...)
		if err := ctx.Err(); err != nil {
			faults = append(faults, fmt.Errorf("scan I2C buses: %w", err))
			break
		}
	}
	return found, errors.Join(faults...)
}

type busScan struct {
	ctx      context.Context
	families []sensors.Family
	path     string
	held     map[int]bool // addresses that belong to a kernel driver
	skip     []int        // addresses to pass over
	answered []int        // addresses taken on the bus itself
	found    []sensors.Finding
	trunk    i2c.Bus
}

func (s *busScan) run(open func(string) (i2c.BusCloser, error)) error {
	bus, err := open(s.path)
	if err != nil {
		return err // says which bus
	}
	defer bus.Close()
	muxes := s.findMuxes(bus)
	tree := i2c.NewTree(bus, muxes...)
	s.trunk = tree.Trunk()
	s.probe(s.trunk, sensors.Finding{Bus: s.path})
	for _, m := range muxes {
		for channel := range 8 {
			behind, err := tree.Branch(m, channel)
			if err != nil {
				return err
			}
			s.probe(behind, sensors.Finding{Bus: s.path, MuxAddress: int(m), MuxChannel: channel})
		}
	}
	return nil
}

// addresses returns every address that one of the families can have.
func addresses(families []sensors.Family) (all []int) {
	for _, f := range families {
		for _, addr := range f.Addresses {
			if !slices.Contains(all, addr) {
				all = append(all, addr)
			}
		}
	}
	return all
}

// probe tries every address that a known family can have, behind a multiplexer
// on the bus itself too: a device there answers through every channel, and must
// not be taken for eight because it missed its own turn.
func (s *busScan) probe(bus i2c.Bus, at sensors.Finding) {
	for _, addr := range addresses(s.families) {
		if s.ctx.Err() != nil {
			return
		}
		if s.held[addr] || slices.Contains(s.skip, addr) || slices.Contains(s.answered, addr) {
			continue
		}
		f, ok := s.identify(bus, at, addr)
		if !ok {
			continue
		}
		if f.MuxAddress != 0 {
			if onTrunk, ok := s.identify(s.trunk, sensors.Finding{Bus: s.path}, addr); ok {
				f = onTrunk
			}
		}
		s.found = append(s.found, f)
		if f.MuxAddress == 0 {
			s.answered = append(s.answered, addr)
		}
	}
}

// identify asks the families that can have an address in their order, each
// again where it does not answer, since one glitch would hide a probe.
func (s *busScan) identify(bus i2c.Bus, at sensors.Finding, addr int) (sensors.Finding, bool) {
	for _, f := range s.families {
		for try := 0; try < attempts && slices.Contains(f.Addresses, addr); try++ {
			if detail, certainty := f.Identify(s.ctx, bus, uint16(addr)); certainty != "" {
				at.Family, at.Address, at.Detail, at.Certainty = f.Name, addr, detail, certainty
				return at, true
			}
		}
	}
	return sensors.Finding{}, false
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
		is := isMux(bus, uint16(addr))
		if !is { // again, as identify asks
			is = isMux(bus, uint16(addr))
		}
		if !is {
			continue
		}
		muxes = append(muxes, uint16(addr))
		s.answered = append(s.answered, addr)
		s.found = append(s.found, sensors.Finding{Family: sensors.Multiplexer, Bus: s.path, Address: addr,
			Certainty: sensors.Identified, Detail: "its select register reads back"})
	}
	return muxes
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

// heldAddresses returns the addresses on bus n that a kernel driver holds.
func heldAddresses(sys string, n int) map[int]bool {
	held := map[int]bool{}
	prefix := strconv.Itoa(n) + "-"
	drivers, err := filepath.Glob(filepath.Join(sys, "bus/i2c/devices", prefix+"????", "driver"))
	if err != nil { // only a bad pattern
		return held
	}
	for _, d := range drivers {
		text := strings.TrimPrefix(filepath.Base(filepath.Dir(d)), prefix)
		if addr, err := strconv.ParseInt(text, 16, 32); err == nil {
			held[int(addr)] = true
		}
	}
	return held
}

// parentBus returns the bus that carries the multiplexer whose channel bus n
// is: the kernel names such a bus "i2c-1-mux (chan_id 0)".
func parentBus(sys string, n int) (int, bool) {
	name, parent := kernfile.Line(filepath.Join(sys, "bus/i2c/devices", "i2c-"+strconv.Itoa(n), "name")), 0
	_, err := fmt.Sscanf(name, "i2c-%d-mux ", &parent)
	return parent, err == nil
}
