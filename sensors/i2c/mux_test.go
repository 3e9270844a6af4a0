package i2c

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"periph.io/x/conn/v3/i2c/i2ctest"
	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

func setSelect(addr uint16, v byte) i2ctest.IO { return i2ctest.IO{Addr: addr, W: []byte{v}} }

// TestChannelBytes checks every byte on the wire: others closed, own channel
// opened, transfer, own channel closed, and all of it again the next time.
func TestChannelBytes(t *testing.T) {
	transfer := i2ctest.IO{Addr: 0x44, W: []byte{0xFD}, R: []byte{1, 2}}
	once := []i2ctest.IO{setSelect(0x71, 0), setSelect(0x72, 0), setSelect(0x70, 1<<3), transfer, setSelect(0x70, 0)}
	pb := &i2ctest.Playback{Ops: slices.Concat(once, once), DontPanic: true}
	ch, err := NewTree(pb, 0x72, 0x70, 0x71, 0x70).Branch(0x70, 3)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		var r [2]byte
		if err := ch.Tx(0x44, []byte{0xFD}, r[:]); err != nil || r != [2]byte{1, 2} {
			t.Fatalf("% x, %v", r, err)
		}
	}
	if err := pb.Close(); err != nil {
		t.Error(err)
	}
	if !strings.Contains(ch.String(), "0x70 channel 3") {
		t.Errorf("name %q", ch)
	}
}

func TestTrunkBytes(t *testing.T) {
	pb := &i2ctest.Playback{DontPanic: true, Ops: []i2ctest.IO{
		setSelect(0x70, 0), setSelect(0x71, 0), {Addr: 0x76, W: []byte{0xD0}, R: []byte{0x60}},
	}}
	var r [1]byte
	if err := NewTree(pb, 0x70, 0x71).Trunk().Tx(0x76, []byte{0xD0}, r[:]); err != nil || r[0] != 0x60 {
		t.Fatalf("% x, %v", r, err)
	}
	if err := pb.Close(); err != nil {
		t.Error(err)
	}
}

// scripted is a bus that fails as told and remembers what was asked.
type scripted struct {
	fail func(addr uint16, w []byte) error
	log  []string
}

func (s *scripted) String() string                  { return "scripted" }
func (s *scripted) SetSpeed(physic.Frequency) error { return nil }
func (s *scripted) Tx(addr uint16, w, _ []byte) error {
	s.log = append(s.log, fmt.Sprintf("%x:%x", addr, w))
	return s.fail(addr, w)
}

func TestAMultiplexerThatMayBeOpenBlocksOthersUntilItIsGone(t *testing.T) {
	dead := false
	s := &scripted{fail: func(addr uint16, w []byte) error {
		if addr == 0x70 && dead {
			return ErrNoAnswer
		}
		if addr == 0x44 {
			dead = true // dies while its channel is open
		}
		return nil
	}}
	tree := NewTree(s, 0x70, 0x71)
	a, err := tree.Branch(0x70, 0)
	if err != nil {
		t.Fatal(err)
	}
	b, err := tree.Branch(0x71, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.Tx(0x44, []byte{1}, nil); err != nil {
		t.Fatalf("the transfer itself worked: %v", err)
	}
	s.log = nil
	if err := b.Tx(0x45, []byte{1}, nil); err != nil {
		t.Fatalf("after six unheard clears it counts as gone: %v, log %v", err, s.log)
	}
	if err := a.Tx(0x44, []byte{1}, nil); !errors.Is(err, ErrNoAnswer) {
		t.Errorf("its own probes: %v", err)
	}
}

func TestAStuckBusNeverMakesAMultiplexerGone(t *testing.T) {
	s := &scripted{fail: func(addr uint16, w []byte) error {
		if addr == 0x70 {
			return sensors.Fault(sensors.TimedOut, ErrStuck)
		}
		return nil
	}}
	trunk := NewTree(s, 0x70).Trunk()
	for range 20 {
		if err := trunk.Tx(0x76, []byte{1}, nil); sensors.ReasonOf(err) != sensors.TimedOut {
			t.Fatalf("err = %v", err)
		}
	}
	if slices.Contains(s.log, "76:01") {
		t.Error("a transfer went out while a channel may have been open")
	}
	// Each costs a time-out, so there is one a transfer and not three.
	if len(s.log) != 20 {
		t.Errorf("%d tries for 20 transfers", len(s.log))
	}
}

func TestAClosedMultiplexerThatDoesNotAnswerBlocksNobody(t *testing.T) {
	dead := false
	s := &scripted{fail: func(addr uint16, _ []byte) error {
		if addr == 0x70 && dead {
			return ErrNoAnswer
		}
		return nil
	}}
	trunk := NewTree(s, 0x70).Trunk()
	if err := trunk.Tx(0x76, []byte{1}, nil); err != nil { // learns that it is closed
		t.Fatal(err)
	}
	dead = true
	if err := trunk.Tx(0x76, []byte{1}, nil); err != nil {
		t.Errorf("err = %v", err)
	}
}

func TestChannelRefusesWhatIsNotThere(t *testing.T) {
	tree := NewTree(&scripted{}, 0x70)
	for _, c := range []struct {
		mux     uint16
		channel int
	}{{0x71, 0}, {0x70, 8}, {0x70, -1}} {
		if _, err := tree.Branch(c.mux, c.channel); err == nil {
			t.Errorf("%#x channel %d was accepted", c.mux, c.channel)
		}
	}
}

func TestBranchIsTrunkOrChannel(t *testing.T) {
	tree := NewTree(&scripted{}, 0x70)
	for mux, want := range map[uint16]string{0: "scripted", 0x70: "scripted mux 0x70 channel 2"} {
		if b, err := tree.Branch(mux, 2); err != nil || b.String() != want {
			t.Errorf("%#x: %v, %v; want %q", mux, b, err, want)
		}
	}
	if _, err := tree.Branch(0x71, 0); err == nil {
		t.Error("an unnamed multiplexer was accepted")
	}
}
