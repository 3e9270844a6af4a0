package table

import (
	"errors"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"dewline/configs"
)

// faultMessages is what each file of testdata is answered with: the whole text,
// every fault of the file, in the order of their places. {families} stands for
// the names of all.
var faultMessages = map[string]string{
	"invalid-probe-family.toml": `invalid-probe-family.toml:7:1: family = "sht40" is not known; did you mean "sht4x"?
invalid-probe-family.toml:11:3: probe "a-2" has no family; add family, one of {families}
invalid-probe-family.toml:21:1: bus means nothing for a probe of family simulated; remove it
invalid-probe-family.toml:23:3: probe "a-4" of family sht4x has no bus; add bus
invalid-probe-family.toml:34:1: path = "iio0" is not a full path; write the full path, as in "/sys/bus/w1/devices/28-0123456789ab"`,
	"invalid-remote.toml": `invalid-remote.toml:10:1: topic = "nodes/+" has a wildcard; write the topic of one node
invalid-remote.toml:11:1: temperature_pointer = "t" is not a JSON pointer (RFC 6901); write "/t"
invalid-remote.toml:12:1: temperature_unit = "K" is not known; write one of "°C", "F"
invalid-remote.toml:14:3: probe "n2" reads nothing from its node's JSON; add temperature_pointer = "/temperature" or humidity_pointer
invalid-remote.toml:20:1: max_age = "0 s" is out of range; write 1 s to 1 day
invalid-remote.toml:29:1: humidity_unit = "percent" is not known; write one of "%", "ratio"
invalid-remote.toml:36:1: probes "n3" and "n4" read the same topic; give each its own`,
	"invalid-remote-no-broker.toml": `invalid-remote-no-broker.toml:10:1: probe "n1" comes through a broker and there is none; add [mqtt] with a broker`,
	"invalid-wiring.toml": `invalid-wiring.toml:11:1: a probe of family sht4x does not answer at 0x23; write 0x44 or 0x45 or 0x46
invalid-wiring.toml:20:1: a multiplexer does not answer at 0x44; write 0x70 to 0x77
invalid-wiring.toml:21:1: mux_channel = 9 is not on the chip; write 0 to 7
invalid-wiring.toml:30:1: mux_channel needs mux_address beside it; add mux_address
invalid-wiring.toml:37:1: bus = "i2c-1" is not a full path; write the full path, as in "/dev/i2c-1"`,
}

// One file for each fault of a probe section, its whole message, and no file
// without one.
func TestEveryFaultHasItsMessage(t *testing.T) {
	files, err := filepath.Glob("testdata/invalid-*.toml")
	if err != nil {
		t.Fatal(err)
	}
	var families, names []string
	for _, f := range Families() {
		families = append(families, strconv.Quote(f.Name))
	}
	slices.Sort(families)
	for _, path := range files {
		name := filepath.Base(path)
		names = append(names, name)
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		_, err = Decode(name, data)
		if faults := (*configs.Faults)(nil); !errors.As(err, &faults) {
			t.Errorf("%s: error %v is no *Faults", name, err)
		} else if got, want := err.Error(), strings.ReplaceAll(faultMessages[name], "{families}", strings.Join(families, ", ")); got != want {
			t.Errorf("got:\n%s\nwant:\n%s", got, want)
		}
	}
	if want := slices.Sorted(maps.Keys(faultMessages)); !slices.Equal(names, want) {
		t.Errorf("files %v, messages for %v", names, want)
	}
}
