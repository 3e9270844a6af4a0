package i2c

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

const (
	muxChannels = 8
	clearTries  = 3 // per transfer
	// After so many clears in a row without an answer, over at least two
	// transfers, a multiplexer counts as unplugged: one that still holds a
	// channel open has power, and one with power answers.
	goneAfter = 2 * clearTries
)

// A Tree is one bus with the multiplexers on it (TCA9548A, PCA9548A and their
// smaller relatives: one byte, one bit per channel). Before every transfer it
// writes each multiplexer's select byte, whatever it wrote before, so a
// multiplexer that lost power in between is right again on the next transfer;
// after it, the channel is closed. Two probes with one address behind
// different multiplexers so never answer together.
//
// Every user of the bus must go through its Tree.
type Tree struct {
	mu    sync.Mutex
	bus   Bus
	muxes []muxState
}

type muxState struct {
	addr uint16
	// mayBeOpen is set while the last thing known is that a channel was, or
	// may have been, opened: true at first, because nobody knows.
	mayBeOpen bool
	unheard   int // clears in a row that nobody answered
}

// NewTree returns the tree of a bus with multiplexers at the given addresses.
// It must be told of all of them. Duplicates are ignored.
func NewTree(bus Bus, muxes ...uint16) *Tree {
	t := &Tree{bus: bus}
	addrs := slices.Clone(muxes)
	slices.Sort(addrs)
	for _, a := range slices.Compact(addrs) {
		t.muxes = append(t.muxes, muxState{addr: a, mayBeOpen: true})
	}
	return t
}

// Trunk returns the bus as devices beside the multiplexers see it: every
// channel closed.
func (t *Tree) Trunk() Bus { return &branch{tree: t, mux: -1, name: t.bus.String()} }

// Branch returns the bus behind one channel, 0 to 7, of a multiplexer; or Trunk where mux
// is 0, which is how a configuration says that there is none.
func (t *Tree) Branch(mux uint16, channel int) (Bus, error) {
	if mux == 0 {
		return t.Trunk(), nil
	}
	i := slices.IndexFunc(t.muxes, func(m muxState) bool { return m.addr == mux })
	if i < 0 {
		return nil, fmt.Errorf("%s: no multiplexer at %#x was named", t.bus, mux)
	}
	if channel < 0 || channel >= muxChannels {
		return nil, fmt.Errorf("%s: multiplexer %#x has channels 0 to %d, not %d", t.bus, mux, muxChannels-1, channel)
	}
	return &branch{tree: t, mux: i, channel: channel,
		name: fmt.Sprintf("%s mux %#x channel %d", t.bus, mux, channel)}, nil
}

// branch is one bus of a tree.
type branch struct {
	tree    *Tree
	mux     int // index into the tree's muxes, -1 for the trunk
	channel int
	name    string
}

func (b *branch) String() string { return b.name }

func (b *branch) SetSpeed(f physic.Frequency) error { return b.tree.bus.SetSpeed(f) }

// Tx opens the branch, transfers, and closes it.
func (b *branch) Tx(addr uint16, w, r []byte) error {
	t := b.tree
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.muxes {
		if i == b.mux {
			continue
		}
		if err := t.clearLocked(&t.muxes[i]); err != nil {
			return fmt.Errorf("%s: %w", b.name, err)
		}
	}
	if b.mux < 0 {
		return t.bus.Tx(addr, w, r)
	}
	return b.throughLocked(&t.muxes[b.mux], addr, w, r)
}

func (b *branch) throughLocked(m *muxState, addr uint16, w, r []byte) error {
	t := b.tree
	m.mayBeOpen = true
	err := t.bus.Tx(m.addr, []byte{1 << b.channel}, nil)
	if err != nil {
		// It may have taken the byte all the same.
		_ = t.clearLocked(m)
		return fmt.Errorf("%s: open the channel: %w", b.name, err)
	}
	err = t.bus.Tx(addr, w, r)
	// A channel that will not close does not make this transfer wrong; the
	// state remembers it for the next one.
	_ = t.clearLocked(m)
	if err != nil {
		return fmt.Errorf("%s: %w", b.name, err)
	}
	return nil
}

// clearLocked closes every channel of m. It returns an error only while m may
// still hold one open.
func (t *Tree) clearLocked(m *muxState) error {
	var err error
	for range clearTries {
		if err = t.bus.Tx(m.addr, []byte{0}, nil); err == nil {
			m.mayBeOpen, m.unheard = false, 0
			return nil
		}
		if !m.mayBeOpen {
			return nil // known to be closed: a reset would not open it
		}
		if !errors.Is(err, ErrNoAnswer) {
			m.unheard = 0
			break
		}
		if m.unheard++; m.unheard >= goneAfter {
			m.mayBeOpen = false
			return nil
		}
	}
	return sensors.Fault(sensors.ReasonOf(err),
		fmt.Errorf("multiplexer %#x may still hold a channel open: %w", m.addr, err))
}
