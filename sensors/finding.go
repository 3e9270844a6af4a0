package sensors

import (
	"fmt"
	"strings"
)

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
