package sensors

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
)

// A Reason names why a reading is suspect or bad.
type Reason uint8

// The reasons. Those up to StuckBusy come from drivers, the rest from judging
// values over time. What only other probes show (dew point, disagreement, swap)
// is found by package rules; the numbers are on record and stay.
const (
	NoReason     Reason = iota
	BusError            // the bus or file did not answer
	TimedOut            // the probe used up its time budget
	BadCRC              // checksum wrong
	AllZero             // a frame of zeros, which passes some checksums
	PowerOnValue        // DS18B20's 85 °C after power-up
	StuckBusy           // the chip never left its busy state
	OutOfRange          // outside what the probe can measure
	Jump                // faster than air can change
	FrozenValue         // no change while peers move
	PinnedWet           // at saturation for hours while temperature moves
	DewTooHigh          // dew point above any wet surface
	Disagrees           // with the other probe of its enclosure
	TooOld              // a remote node's value past its age limit
	Swapped             // looks like another enclosure's climate
	Heating             // the probe's own heater is on or cooling down
	WrongClock          // a remote node's time stamp cannot be right
	Malformed           // text or JSON that cannot be read
	Waiting             // a remote node may not have sent since dewline listens
	numReasons
)

var reasonNames = [numReasons]string{
	NoReason: "", BusError: "bus-error", TimedOut: "timed-out", BadCRC: "bad-crc",
	AllZero: "all-zero", PowerOnValue: "power-on-value", StuckBusy: "stuck-busy",
	OutOfRange: "out-of-range", Jump: "jump", FrozenValue: "frozen",
	PinnedWet: "pinned-wet", DewTooHigh: "dew-point-too-high",
	Disagrees: "disagrees", TooOld: "too-old", Swapped: "swapped",
	Heating: "heating", WrongClock: "wrong-clock", Malformed: "malformed",
	Waiting: "waiting",
}

// String returns the reason's lower-case name, empty for NoReason.
func (r Reason) String() string {
	if r < numReasons {
		return reasonNames[r]
	}
	return fmt.Sprintf("reason-%d", uint8(r))
}

// Excused reports a reason that there is no value for a while and that is no
// failure of the probe.
func (r Reason) Excused() bool { return r == Heating || r == Waiting }

// A FaultError is a failed sample with the reason that metrics and rules count
// it under.
type FaultError struct {
	Reason Reason
	Err    error
}

// Fault wraps err with its reason.
func Fault(r Reason, err error) error { return &FaultError{Reason: r, Err: err} }

// Faultf is Fault around a formatted error.
func Faultf(r Reason, format string, args ...any) error {
	return &FaultError{Reason: r, Err: fmt.Errorf(format, args...)}
}

// Located puts where an error arose in front of it and keeps its reason; nil
// stays nil.
func Located(where string, err error) error {
	if err == nil {
		return nil
	}
	return Fault(ReasonOf(err), fmt.Errorf("%s: %w", where, err))
}

// Error returns the text of the wrapped error; the reason is counted, not said.
func (e *FaultError) Error() string { return e.Err.Error() }

// Unwrap returns the wrapped error.
func (e *FaultError) Unwrap() error { return e.Err }

// ReasonOf returns the reason carried by err, NoReason only for nil. An error
// that carries none is TimedOut where a deadline passed and BusError otherwise.
func ReasonOf(err error) Reason {
	if err == nil {
		return NoReason
	}
	if f, ok := errors.AsType[*FaultError](err); ok && f.Reason != NoReason && f.Reason < numReasons {
		return f.Reason
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded) {
		return TimedOut
	}
	return BusError
}

// Certainty says how a finding knows its family.
type Certainty string

// The certainties.
const (
	Identified Certainty = "identified" // by a serial number, an identity register or a checksum
	Guessed    Certainty = "guessed"    // by the address alone
)

// A Finding is one probe that a scan has found, or one multiplexer.
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

// Multiplexer is the family of a finding that is a multiplexer.
const Multiplexer = "multiplexer"

// String is the finding in one line.
func (f Finding) String() string {
	where := f.Path
	if f.Bus != "" {
		where = fmt.Sprintf("%s address %#x", f.Bus, f.Address)
		if f.MuxAddress != 0 {
			where += fmt.Sprintf(" behind multiplexer %#x channel %d", f.MuxAddress, f.MuxChannel)
		}
	}
	return fmt.Sprintf("%s: %s, %s (%s)", where, f.Family, f.Certainty, f.Detail)
}

// Stanza returns a [[probe]] section of the configuration for the finding,
// under the given id; the keeper adds enclosure and place. It is empty for a
// multiplexer, which the probes behind it name.
func (f Finding) Stanza(id string) string {
	if f.Family == Multiplexer {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "# %s\n", strings.ReplaceAll(f.String(), "\n", " "))
	if f.Certainty == Guessed {
		b.WriteString("# A guess: check the chip's print before using this.\n")
	}
	fmt.Fprintf(&b, "[[probe]]\nid = %q\nfamily = %q\n", id, f.Family)
	if f.Bus != "" {
		fmt.Fprintf(&b, "bus = %q\naddress = %#x\n", f.Bus, f.Address)
	}
	if f.MuxAddress != 0 {
		fmt.Fprintf(&b, "mux_address = %#x\nmux_channel = %d\n", f.MuxAddress, f.MuxChannel)
	}
	if f.Path != "" {
		fmt.Fprintf(&b, "path = %q\n", f.Path)
	}
	b.WriteString("enclosure = \"\" # which enclosure it hangs in\nplace = \"litter\"\n")
	return b.String()
}
