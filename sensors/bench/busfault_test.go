package bench

import (
	"fmt"
	"time"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

// A BusKind is a way to fail.
type BusKind uint8

// The kinds of fault.
const (
	Nak      BusKind = iota // the address is not acknowledged
	Short                   // the device stops after Arg bytes; the rest reads 0xFF
	Flip                    // bit Arg of the answer is wrong
	Zeros                   // the answer is all zeros
	StuckSDA                // the transfer times out after 100 ms
	MuxReset                // every multiplexer browns out before the transfer
	Brownout                // the device restarts before the transfer
	Slow                    // the transfer takes For longer
	numBusKinds
)

// BusKinds returns every kind.
func BusKinds() []BusKind {
	all := make([]BusKind, 0, numBusKinds)
	for k := range numBusKinds {
		all = append(all, k)
	}
	return all
}

// String names the kind.
func (k BusKind) String() string {
	return [numBusKinds]string{"nak", "short", "flip", "zeros", "stuck-sda", "mux-reset", "brown-out", "slow"}[k]
}

// A BusFault strikes transfers that match it.
type BusFault struct {
	Kind BusKind
	// Device is the one it strikes, whatever its address; nil strikes any.
	Device Device
	// After is how many matching transfers pass first, Times how many it then
	// strikes; zero means one.
	After, Times int
	// Arg moves on by 7 with every strike: noise does not repeat itself.
	Arg int
	For time.Duration
}

// Inject arms a fault.
func (b *Bus) Inject(f BusFault) {
	b.mu.Lock()
	defer b.mu.Unlock()
	f.Times = max(f.Times, 1)
	b.faults = append(b.faults, f)
}

// Clear disarms every fault.
func (b *Bus) Clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.faults = nil
}

// nextFault uses up the first armed fault that matches this transfer. Faults
// that spoil an answer wait for one.
func (b *Bus) nextFault(reads bool, devices []Device) (BusFault, bool) {
	for i := range b.faults {
		f := &b.faults[i]
		if !f.matches(reads, devices) {
			continue
		}
		if f.After > 0 {
			f.After--
			continue
		}
		hit := *f
		f.Arg += 7
		if f.Times--; f.Times == 0 {
			b.faults = append(b.faults[:i], b.faults[i+1:]...)
		}
		return hit, true
	}
	return BusFault{}, false
}

func (f *BusFault) matches(reads bool, devices []Device) bool {
	if spoils := f.Kind == Short || f.Kind == Flip || f.Kind == Zeros; spoils && !reads {
		return false
	}
	if f.Device == nil {
		return len(devices) > 0
	}
	for _, d := range devices {
		if d == f.Device {
			return true
		}
	}
	return false
}

// before applies what happens ahead of the transfer.
func (b *Bus) before(f BusFault, devices []Device) error {
	switch f.Kind {
	case Nak:
		return sensors.Fault(sensors.BusError, fmt.Errorf("%s: %w (injected)", b.name, i2c.ErrNoAnswer))
	case StuckSDA:
		time.Sleep(100 * time.Millisecond)
		return sensors.Fault(sensors.TimedOut, fmt.Errorf("%s: %w (injected)", b.name, i2c.ErrStuck))
	case Slow:
		time.Sleep(f.For)
	case MuxReset:
		for _, m := range b.muxes {
			m.Reset()
		}
	case Brownout:
		for _, d := range devices {
			if f.Device == nil || d == f.Device {
				d.Reset()
			}
		}
	}
	return nil
}

// spoil applies what happens to the answer.
func (f BusFault) spoil(r []byte) {
	if len(r) == 0 {
		return
	}
	switch f.Kind {
	case Flip:
		bit := f.Arg % (8 * len(r))
		r[bit/8] ^= 1 << (bit % 8)
	case Short:
		for i := f.Arg % len(r); i < len(r); i++ {
			r[i] = 0xFF
		}
	case Zeros:
		for i := range r {
			r[i] = 0
		}
	}
}
