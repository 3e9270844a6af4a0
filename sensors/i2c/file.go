package i2c

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

// ErrNoAnswer is in the chain of every error of a transfer whose device did
// not acknowledge its address or a byte.
var ErrNoAnswer = errors.New("no device answered: is it plugged in, powered and set to this address?")

// ErrStuck is in the chain of every error that points at the wires rather than
// at one device: the bus stayed busy, or a line is held low.
var ErrStuck = errors.New("the bus is stuck: unplug one probe after the other to find what holds a line, and slow it down on long cables")

// errGone marks a device file that has to be opened again, such as that of a
// USB adapter that was unplugged.
var errGone = errors.New("the bus has gone")

const (
	maxMessage = 8192 // the kernel's limit for one message of I2C_RDWR
	maxAddress = 0x7f // ten-bit addresses are not supported
)

type port interface {
	transfer(addr uint16, w, r []byte) error
	Close() error
}

// A File is one /dev/i2c-N, opened with the first transfer and again after the bus was
// stuck or gone. The nine clocks that free a stuck line are the kernel driver's work.
type File struct {
	path      string
	onRecover func(cause, outcome error)
	open      func(path string) (port, error)
	closed    atomic.Bool

	mu     sync.Mutex
	port   port // nil while the bus is not open
	opened bool // it was open before
	// ill is set from a recovery to the next good transfer; shut says how the
	// last recovery ended.
	ill, shut bool
}

// New returns the bus behind a device file, which need not be there yet. onRecover, if
// set, hears the error that led to a recovery and what opening the bus again returned:
// once of either outcome in a row until a transfer succeeds. It runs under the bus's lock.
func New(path string, onRecover func(cause, outcome error)) *File {
	return &File{path: path, onRecover: onRecover, open: openPort}
}

// Open opens the bus behind a device file at once.
func Open(path string) (*File, error) {
	b := New(path, nil)
	b.mu.Lock()
	defer b.mu.Unlock()
	return b, b.openLocked()
}

func (b *File) openLocked() error {
	p, err := b.open(b.path)
	if err != nil {
		return sensors.Fault(sensors.BusError, fmt.Errorf("open I2C bus %s: %w", b.path, err))
	}
	b.port, b.opened = p, true
	return nil
}

// String returns the path of the device file.
func (b *File) String() string { return b.path }

// Tx writes w to the device and then reads len(r) bytes, both in one
// transaction with a repeated start; either may be empty. A failed read leaves
// r undefined.
func (b *File) Tx(addr uint16, w, r []byte) error {
	if addr > maxAddress || len(w) > maxMessage || len(r) > maxMessage {
		return sensors.Faultf(sensors.BusError, "%s: transfer to %#x of %d+%d bytes is not possible on this bus", b.path, addr, len(w), len(r))
	}
	// A Close that came during the transfer left the file to it.
	defer b.closeIfClosed()
	b.mu.Lock()
	defer b.mu.Unlock()
	if !b.opened && !b.closed.Load() {
		if err := b.openLocked(); err != nil {
			return err
		}
	}
	err := b.tryLocked(addr, w, r)
	if err == nil {
		b.ill = false
		return nil
	}
	reason := sensors.BusError
	if errors.Is(err, ErrStuck) {
		reason = sensors.TimedOut
	}
	return sensors.Fault(reason, fmt.Errorf("%s: device %#x: %w", b.path, addr, err))
}

// tryLocked does one transfer. After an error that points at the bus it opens
// the file again for the next transfer but does not repeat this one, so that a
// dead bus costs one time-out and not two.
func (b *File) tryLocked(addr uint16, w, r []byte) error {
	if b.closed.Load() {
		return errors.New("the bus is closed")
	}
	if b.port == nil {
		if err := b.reopenLocked(errGone); err != nil {
			return err
		}
	}
	err := b.port.transfer(addr, w, r)
	if errors.Is(err, ErrStuck) || errors.Is(err, errGone) {
		if again := b.reopenLocked(err); again != nil {
			return errors.Join(err, again)
		}
	}
	return err
}

func (b *File) reopenLocked(cause error) error {
	if b.port != nil {
		// The file is given up either way; its close error would tell nothing.
		_ = b.port.Close()
		b.port = nil
	}
	p, err := b.open(b.path)
	if err == nil {
		b.port = p
	} else {
		err = fmt.Errorf("open I2C bus %s again: %w", b.path, err)
	}
	if news := !b.ill || b.shut != (err != nil); news && b.onRecover != nil {
		b.onRecover(cause, err)
	}
	b.ill, b.shut = true, err != nil
	return err
}

// SetSpeed reports that the speed cannot be set: on Linux it belongs to the
// device tree (on a Raspberry Pi, dtparam=i2c_arm_baudrate).
func (b *File) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("%s: the bus speed is set in the device tree, not here", b.path)
}

// Close closes the device file; later transfers fail. It does not wait for one
// that hangs in the kernel: the file is then closed when that comes back.
func (b *File) Close() error {
	b.closed.Store(true)
	if !b.mu.TryLock() {
		return nil
	}
	defer b.mu.Unlock()
	return b.closeLocked()
}

// closeIfClosed runs after each transfer, without the lock.
func (b *File) closeIfClosed() {
	if !b.closed.Load() {
		return
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	_ = b.closeLocked() // nobody is left who could be told
}

func (b *File) closeLocked() error {
	if b.port == nil {
		return nil
	}
	err := b.port.Close()
	b.port = nil
	return err
}
