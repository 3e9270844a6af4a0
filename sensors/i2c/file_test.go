package i2c

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"periph.io/x/conn/v3/physic"

	"dewline/sensors"
)

var (
	_ BusCloser = (*File)(nil)
	_ Bus       = (*branch)(nil)
)

// fakePort answers with the errors of its script, one per transfer.
type fakePort struct {
	script *[]error
	closed *int
}

func (p *fakePort) transfer(_ uint16, _, r []byte) error {
	for i := range r {
		r[i] = byte(i)
	}
	if len(*p.script) == 0 {
		return nil
	}
	err := (*p.script)[0]
	*p.script = (*p.script)[1:]
	return err
}

func (p *fakePort) Close() error { *p.closed++; return nil }

// fakeBus returns a bus over fake ports and what happened to them. openErrs are
// what opening returns, one per call, then nil.
func fakeBus(t *testing.T, script []error, openErrs ...error) (b *File, opened, closed *int) {
	t.Helper()
	opened, closed = new(int), new(int)
	open := func(string) (port, error) {
		*opened++
		if i := *opened - 2; i >= 0 && i < len(openErrs) && openErrs[i] != nil {
			return nil, openErrs[i]
		}
		return &fakePort{&script, closed}, nil
	}
	b = New("/dev/i2c-9", nil)
	b.open = open
	if err := b.openLocked(); err != nil {
		t.Fatal(err)
	}
	return b, opened, closed
}

func TestErrorsCarryTheirReasonAndPlace(t *testing.T) {
	for _, c := range []struct {
		err    error
		reason sensors.Reason
	}{
		{ErrNoAnswer, sensors.BusError},
		{fmt.Errorf("%w (x)", ErrStuck), sensors.TimedOut},
		{errors.New("odd"), sensors.BusError},
	} {
		b, _, _ := fakeBus(t, []error{c.err})
		err := b.Tx(0x44, []byte{1}, nil)
		if sensors.ReasonOf(err) != c.reason || !errors.Is(err, c.err) ||
			!strings.Contains(err.Error(), "/dev/i2c-9") || !strings.Contains(err.Error(), "0x44") {
			t.Errorf("%v became %v (%v)", c.err, err, sensors.ReasonOf(err))
		}
	}
}

func TestOpensAgainAfterAStuckOrVanishedBus(t *testing.T) {
	for _, cause := range []error{ErrStuck, errGone} {
		b, opened, closed := fakeBus(t, []error{cause})
		if err := b.Tx(0x44, []byte{1}, nil); !errors.Is(err, cause) {
			t.Fatalf("%v: %v", cause, err)
		}
		if *opened != 2 || *closed != 1 {
			t.Errorf("%v: opened %d, closed %d", cause, *opened, *closed)
		}
		if err := b.Tx(0x44, []byte{1}, nil); err != nil {
			t.Errorf("%v: the transfer after the recovery: %v", cause, err)
		}
		if *opened != 2 {
			t.Errorf("%v: a bus that works was opened again", cause)
		}
	}
}

func TestADeviceThatDoesNotAnswerLeavesTheBusOpen(t *testing.T) {
	b, opened, _ := fakeBus(t, []error{ErrNoAnswer, ErrNoAnswer, ErrNoAnswer})
	for range 3 {
		if err := b.Tx(0x44, []byte{1}, nil); !errors.Is(err, ErrNoAnswer) {
			t.Fatal(err)
		}
	}
	if *opened != 1 {
		t.Errorf("opened %d times", *opened)
	}
}

func TestABusThatCannotBeOpenedAgainIsTriedOnEveryTransfer(t *testing.T) {
	unplugged := errors.New("no such device")
	b, opened, _ := fakeBus(t, []error{errGone}, unplugged, unplugged)
	var heard []error
	b.onRecover = func(_, outcome error) { heard = append(heard, outcome) }
	for i := range 2 {
		if err := b.Tx(0x44, []byte{1}, nil); !errors.Is(err, unplugged) {
			t.Fatalf("transfer %d: %v", i, err)
		}
	}
	if err := b.Tx(0x44, []byte{1}, nil); err != nil {
		t.Fatalf("after it was plugged in: %v", err)
	}
	if *opened != 4 || len(heard) != 2 || !errors.Is(heard[0], unplugged) || heard[1] != nil {
		t.Errorf("opened %d times, told %v", *opened, heard)
	}
}

// A bus that stays stuck is one piece of news, and one more after it worked.
func TestAStuckBusIsToldOnce(t *testing.T) {
	b, opened, _ := fakeBus(t, []error{ErrStuck, ErrStuck, ErrStuck, nil, ErrStuck})
	told := 0
	b.onRecover = func(_, _ error) { told++ }
	for i, want := range []int{1, 1, 1, 1, 2} {
		if err := b.Tx(0x44, []byte{1}, nil); (err == nil) != (i == 3) {
			t.Fatalf("transfer %d: %v", i, err)
		}
		if told != want {
			t.Errorf("after transfer %d: told %d times, want %d", i, told, want)
		}
	}
	if *opened != 5 {
		t.Errorf("opened %d times", *opened)
	}
}

func TestClose(t *testing.T) {
	b, opened, closed := fakeBus(t, nil)
	if err := b.Close(); err != nil || *closed != 1 {
		t.Errorf("Close: %v, closed %d", err, *closed)
	}
	if err := b.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	if b.Tx(0x44, []byte{1}, nil) == nil {
		t.Error("a closed bus works")
	}
	if *opened != 1 {
		t.Errorf("a closed bus was opened again")
	}
}

// A bus whose file appears later is opened by the transfer that finds it, which
// is no recovery.
func TestABusThatAppearsLater(t *testing.T) {
	missing, closed := error(sensors.Faultf(sensors.BusError, "no such file")), 0
	b := New("/dev/i2c-9", func(_, _ error) { t.Error("told of a recovery") })
	b.open = func(string) (port, error) {
		if missing != nil {
			return nil, missing
		}
		return &fakePort{&[]error{}, &closed}, nil
	}
	for range 2 {
		if err := b.Tx(0x44, []byte{1}, nil); !errors.Is(err, missing) || sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), "/dev/i2c-9") {
			t.Errorf("missing: %v", err)
		}
	}
	missing = nil
	if err := b.Tx(0x44, []byte{1}, nil); err != nil {
		t.Errorf("there: %v", err)
	}
	b = New("/dev/i2c-9", nil)
	if err := b.Close(); err != nil || b.Tx(0x44, nil, nil) == nil || b.opened {
		t.Errorf("a bus closed before its first transfer: %v, opened %v", err, b.opened)
	}
}

// A driver that hangs in the kernel must not hold up who closes its bus; the
// file is closed when the call comes back.
func TestCloseDoesNotWaitForAHungTransfer(t *testing.T) {
	inside, back, closed := make(chan struct{}), make(chan struct{}), 0
	b := New("/dev/i2c-9", nil)
	b.open = func(string) (port, error) { return &hungPort{inside, back, &closed}, nil }
	done := make(chan error)
	go func() { done <- b.Tx(0x44, []byte{1}, nil) }()
	<-inside
	if err := b.Close(); err != nil || closed != 0 {
		t.Errorf("Close: %v, closed %d", err, closed)
	}
	close(back)
	if err := <-done; err != nil || closed != 1 {
		t.Errorf("the transfer: %v, closed %d, want 1", err, closed)
	}
}

type hungPort struct {
	inside, back chan struct{}
	closed       *int
}

func (p *hungPort) transfer(uint16, []byte, []byte) error { close(p.inside); <-p.back; return nil }
func (p *hungPort) Close() error                          { *p.closed++; return nil }

func TestRefusesImpossibleTransfers(t *testing.T) {
	b, _, _ := fakeBus(t, nil)
	if b.Tx(0x80, nil, nil) == nil || b.Tx(0x44, make([]byte, maxMessage+1), nil) == nil || b.Tx(0x44, nil, make([]byte, maxMessage+1)) == nil {
		t.Error("an impossible transfer was tried")
	}
	if err := b.SetSpeed(physic.KiloHertz); err == nil {
		t.Error("SetSpeed claims to work")
	}
}

func TestOpenErrorNamesTheBus(t *testing.T) {
	if _, err := Open("/nonexistent/i2c-1"); err == nil || !strings.Contains(err.Error(), "/nonexistent/i2c-1") {
		t.Errorf("err = %v", err)
	}
}
