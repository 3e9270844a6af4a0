// Package bench is tests only: the drivers, the scan and the poller on I²C buses made
// of models, devices at addresses, behind multiplexers where wanted, that obey the
// chips' command sets closely enough for the real drivers, and faults on command.
//
// Time is the goroutine's, so in testing/synctest a slow device costs nothing.
// Devices that share an address and can be reached at once answer at once, and
// their bytes are and-ed as on open-drain wires; the bus counts how often that
// happened.
package bench

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

// A Device is one model. An error means that the device does not acknowledge.
type Device interface {
	// Write takes the bytes after the address of a write.
	Write(p []byte) error
	// Read fills p; bytes that the chip would not drive stay 0xFF.
	Read(p []byte) error
	// Reset is a brown-out: the chip restarts with its power-on registers.
	Reset()
}

// errNak is a device's refusal.
var errNak = errors.New("not acknowledged")

// An Air is what the air around a device is, and what the device therefore
// ought to measure.
type Air struct {
	Celsius float64
	Percent float64
	Lux     float64
}

// A Bus implements i2c.Bus over models.
type Bus struct {
	mu         sync.Mutex
	name       string
	trunk      map[uint16][]Device
	muxes      []*Mux
	faults     []BusFault
	collisions int
	transfers  int
}

// NewBus returns an empty bus.
func NewBus(name string) *Bus { return &Bus{name: name, trunk: map[uint16][]Device{}} }

// Attach puts a device on the bus itself.
func (b *Bus) Attach(addr uint16, d Device) { b.trunk[addr] = append(b.trunk[addr], d) }

// A Mux models a TCA9548A: one register that reads back as it was written,
// zero after a reset (TI SCPS207, section 8.3.2).
type Mux struct {
	addr     uint16
	selected byte
	behind   [8]map[uint16]Device
}

// AttachMux puts a multiplexer on the bus.
func (b *Bus) AttachMux(addr uint16) *Mux {
	m := &Mux{addr: addr}
	b.muxes = append(b.muxes, m)
	b.Attach(addr, m)
	return m
}

// MuxAt returns the multiplexer at addr, nil for none.
func (b *Bus) MuxAt(addr uint16) *Mux {
	for _, m := range b.muxes {
		if m.addr == addr {
			return m
		}
	}
	return nil
}

// Attach puts a device behind one channel.
func (m *Mux) Attach(channel int, addr uint16, d Device) {
	if m.behind[channel] == nil {
		m.behind[channel] = map[uint16]Device{}
	}
	m.behind[channel][addr] = d
}

// Write selects channels.
func (m *Mux) Write(p []byte) error {
	if len(p) > 0 {
		m.selected = p[len(p)-1]
	}
	return nil
}

// Read tells which channels are selected.
func (m *Mux) Read(p []byte) error {
	for i := range p {
		p[i] = m.selected
	}
	return nil
}

// Reset deselects every channel.
func (m *Mux) Reset() { m.selected = 0 }

// String returns the name of the bus.
func (b *Bus) String() string { return b.name }

// SetSpeed does nothing.
func (b *Bus) SetSpeed(physic.Frequency) error { return nil }

// Collisions returns how many transfers were answered by more than one device.
func (b *Bus) Collisions() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.collisions
}

// Transfers returns how many transfers there were.
func (b *Bus) Transfers() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.transfers
}

// Tx does one transfer, faults included.
func (b *Bus) Tx(addr uint16, w, r []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.transfers++
	devices := b.reachable(addr)
	hit, armed := b.nextFault(len(r) > 0, devices)
	if armed {
		if err := b.before(hit, devices); err != nil {
			return err
		}
		devices = b.reachable(addr) // a reset may have closed a channel
	}
	if err := exchange(devices, w, r); err != nil {
		return sensors.Fault(sensors.BusError, fmt.Errorf("%s: device %#x: %w (%w)", b.name, addr, i2c.ErrNoAnswer, err))
	}
	if len(devices) > 1 {
		b.collisions++
	}
	if armed {
		hit.spoil(r)
	}
	return nil
}

// reachable returns the devices that hear addr now.
func (b *Bus) reachable(addr uint16) []Device {
	found := append([]Device(nil), b.trunk[addr]...)
	for _, m := range b.muxes {
		for ch, behind := range m.behind {
			if d := behind[addr]; d != nil && m.selected&(1<<ch) != 0 {
				found = append(found, d)
			}
		}
	}
	return found
}

// exchange lets every device take part; lines are open drain, so an
// acknowledge from any is one, and the bytes are and-ed.
func exchange(devices []Device, w, r []byte) error {
	for i := range r {
		r[i] = 0xFF
	}
	heard := false
	for _, d := range devices {
		// A device that refuses the write is not there for the read.
		if (len(w) > 0 || len(r) == 0) && d.Write(w) != nil {
			continue
		}
		if len(r) == 0 {
			heard = true
			continue
		}
		answer := make([]byte, len(r))
		for i := range answer {
			answer[i] = 0xFF
		}
		if d.Read(answer) != nil {
			continue
		}
		heard = true
		for i := range r {
			r[i] &= answer[i]
		}
	}
	if !heard {
		return errNak
	}
	return nil
}

// since reports whether d has passed since t.
func since(t time.Time, d time.Duration) bool { return time.Since(t) >= d }
