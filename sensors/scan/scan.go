package scan

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/i2c"

	"dewline/sensors/i2cbus"
)

// Options say where to look. The zero value is the real machine.
type Options struct {
	Dev string // "/dev"
	Sys string // "/sys"
	// OpenBus opens the bus behind a device file; nil means i2cbus.Open.
	OpenBus func(path string) (i2c.BusCloser, error)
}

// Certainty says how a finding knows its family.
type Certainty string

// The certainties.
const (
	Identified Certainty = "identified" // by a serial number, an identity register or a checksum
	Guessed    Certainty = "guessed"    // by the address alone
)

// A Finding is one probe, or one multiplexer.
type Finding struct {
	Family     string // as in the configuration; "multiplexer" is none
	Certainty  Certainty
	Bus        string // device file; empty for 1-Wire, IIO and hwmon
	Address    int
	MuxAddress int // 0 for a device on the bus itself
	MuxChannel int
	Path       string // directory of a 1-Wire, IIO or hwmon probe
	// Detail is what the chip told of itself, such as its serial number.
	Detail string
}

// attempts is how often a silent address is asked.
const attempts = 2

// Multiplexer is the family of a finding that is a multiplexer.
const Multiplexer = "multiplexer"

// Scan looks everywhere and returns what it found, in the order of buses and
// addresses. The error joins what could not be looked at; findings are valid
// beside it.
func Scan(ctx context.Context, o Options) ([]Finding, error) {
	if o.Dev == "" {
		o.Dev = "/dev"
	}
	if o.Sys == "" {
		o.Sys = "/sys"
	}
	if o.OpenBus == nil {
		o.OpenBus = func(path string) (i2c.BusCloser, error) { return i2cbus.Open(path, i2cbus.Options{}) }
	}
	found, err := scanBuses(ctx, o)
	one, errOne := scanOneWire(o.Sys)
	kernel, errKernel := scanKernel(o.Sys)
	return slices.Concat(found, one, kernel), errors.Join(err, errOne, errKernel)
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

func scanBuses(ctx context.Context, o Options) ([]Finding, error) {
	numbers, err := busNumbers(o.Dev)
	if err != nil {
		return nil, err
	}
	var found []Finding
	var faults []error
	seen := map[int][]int{} // addresses that answered, by bus number
	for _, n := range numbers {
		path := filepath.Join(o.Dev, "i2c-"+strconv.Itoa(n))
		s := busScan{ctx: ctx, path: path, held: heldAddresses(o.Sys, n)}
		// What sits on the parent also answers on a kernel multiplexer's channel.
		if parent, ok := parentBus(o.Sys, n); ok {
			s.skip = seen[parent]
		}
		if err := s.open(o.OpenBus); err != nil {
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

// busScan is the scan of one bus.
type busScan struct {
	ctx      context.Context
	path     string
	held     map[int]bool // addresses that belong to a kernel driver
	skip     []int        // addresses to pass over
	answered []int        // addresses taken on the bus itself
	found    []Finding
	trunk    i2c.Bus
}

func (s *busScan) open(open func(string) (i2c.BusCloser, error)) error {
	bus, err := open(s.path)
	if err != nil {
		return err // says which bus
	}
	defer bus.Close()
	return s.run(bus)
}

func (s *busScan) run(bus i2c.Bus) error {
	muxes := s.findMuxes(bus)
	tree := i2cbus.NewTree(bus, muxes...)
	s.trunk = tree.Trunk()
	s.probe(s.trunk, Finding{Bus: s.path})
	for _, m := range muxes {
		for channel := range 8 {
			behind, err := tree.Channel(m, channel)
			if err != nil {
				return err
			}
			s.probe(behind, Finding{Bus: s.path, MuxAddress: int(m), MuxChannel: channel})
		}
	}
	return nil
}

// probe tries every address that a known family can have.
func (s *busScan) probe(bus i2c.Bus, at Finding) {
	for _, try := range candidates() {
		for _, addr := range try.addresses {
			if s.ctx.Err() != nil {
				return
			}
			if s.held[addr] || slices.Contains(s.skip, addr) || slices.Contains(s.answered, addr) {
				continue
			}
			s.probeAddress(bus, try, at, addr)
		}
	}
}

// probeAddress tries one address, behind a multiplexer on the bus itself too:
// a device there answers through every channel, and must not be taken for
// eight because it missed its own turn.
func (s *busScan) probeAddress(bus i2c.Bus, try candidate, at Finding, addr int) {
	f, ok := s.ask(bus, try, at, addr)
	if !ok {
		return
	}
	if f.MuxAddress != 0 {
		if onTrunk, ok := s.ask(s.trunk, try, Finding{Bus: s.path}, addr); ok {
			f = onTrunk
		}
	}
	s.found = append(s.found, f)
	if f.MuxAddress == 0 {
		s.answered = append(s.answered, addr)
	}
}

// ask asks again where nothing answered, since one glitch would hide a probe.
func (s *busScan) ask(bus i2c.Bus, try candidate, at Finding, addr int) (Finding, bool) {
	for range attempts {
		family, detail, certainty := try.ask(s.ctx, bus, uint16(addr))
		if family != "" {
			at.Family, at.Address, at.Detail, at.Certainty = family, addr, detail, certainty
			return at, true
		}
	}
	return Finding{}, false
}
