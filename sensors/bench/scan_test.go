package bench

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/pelletier/go-toml/v2"
	"periph.io/x/conn/v3/i2c"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/scan"
	"dewline/sensors/table"
)

// closable is a simulated bus that can be closed.
type closable struct{ *Bus }

func (closable) Close() error { return nil }

// machine is a directory tree like /dev and /sys, and the buses in it.
type machine struct {
	dir   string
	buses map[string]*Bus
}

func newMachine(t *testing.T) *machine {
	t.Helper()
	return &machine{dir: t.TempDir(), buses: map[string]*Bus{}}
}

func (m *machine) file(t *testing.T, path, text string) {
	t.Helper()
	path = filepath.Join(m.dir, path)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func (m *machine) bus(t *testing.T, name string) *Bus {
	t.Helper()
	m.file(t, "dev/"+name, "")
	path := filepath.Join(m.dir, "dev", name)
	m.buses[path] = NewBus(path)
	return m.buses[path]
}

var errLocked = errors.New("permission denied")

func (m *machine) scan(t *testing.T) ([]sensors.Finding, error) {
	t.Helper()
	return scan.Scan(t.Context(), table.Families(), scan.Options{
		Dev: filepath.Join(m.dir, "dev"), Sys: filepath.Join(m.dir, "sys"),
		OpenBus: func(path string) (i2c.BusCloser, error) {
			if b := m.buses[path]; b != nil {
				return closable{b}, nil
			}
			return nil, errLocked
		},
	})
}

// lines prints findings without the directory of the test.
func (m *machine) lines(found []sensors.Finding) []string {
	var out []string
	for _, f := range found {
		out = append(out, strings.ReplaceAll(f.String(), m.dir, ""))
	}
	return out
}

func (m *machine) expect(t *testing.T, want ...string) []sensors.Finding {
	t.Helper()
	found, err := m.scan(t)
	if err != nil {
		t.Fatal(err)
	}
	if got := m.lines(found); !slices.Equal(got, want) {
		t.Errorf("found\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
	return found
}

func air() *Air { return &Air{Celsius: 24, Percent: 80, Lux: 200} }

func TestIdentifiesEveryFamily(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		bus := m.bus(t, "i2c-1")
		bus.Attach(0x44, &SHT4x{Air: air(), Serial: 0xDEADBEEF})
		bus.Attach(0x45, &SHT3x{Air: air()})
		bus.Attach(0x46, &SHT3x{Air: air(), HDC: true})
		bus.Attach(0x76, &BME280{Air: air()})
		aht := &AHT20{Air: air()}
		bus.Attach(0x38, aht)
		bus.Attach(0x23, &BH1750{Air: air()})
		m.expect(t,
			"/dev/i2c-1 address 0x44: sht4x, identified (serial number deadbeef)",
			"/dev/i2c-1 address 0x45: sht3x, identified (status 0010)",
			"/dev/i2c-1 address 0x46: hdc302x, identified (maker's number 3000)",
			"/dev/i2c-1 address 0x76: bme280, identified (chip id 60)",
			"/dev/i2c-1 address 0x38: aht20, identified (measured with a right checksum)",
			"/dev/i2c-1 address 0x23: bh1750, guessed (something answers here; this chip cannot be told from others)",
		)
	})
}

func TestLooksBehindMultiplexers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		bus := m.bus(t, "i2c-1")
		bus.Attach(0x77, &BME280{Air: air()}) // shares a multiplexer's address
		first, second := bus.AttachMux(0x70), bus.AttachMux(0x76)
		first.Attach(0, 0x44, &SHT4x{Air: air(), Serial: 1})
		first.Attach(7, 0x44, &SHT4x{Air: air(), Serial: 2})
		second.Attach(0, 0x44, &SHT4x{Air: air(), Serial: 3})
		found := m.expect(t,
			"/dev/i2c-1 address 0x70: multiplexer, identified (its select register reads back)",
			"/dev/i2c-1 address 0x76: multiplexer, identified (its select register reads back)",
			"/dev/i2c-1 address 0x77: bme280, identified (chip id 60)",
			"/dev/i2c-1 address 0x44 behind multiplexer 0x70 channel 0: sht4x, identified (serial number 00000001)",
			"/dev/i2c-1 address 0x44 behind multiplexer 0x70 channel 7: sht4x, identified (serial number 00000002)",
			"/dev/i2c-1 address 0x44 behind multiplexer 0x76 channel 0: sht4x, identified (serial number 00000003)",
		)
		if bus.Collisions() != 0 {
			t.Errorf("%d collisions", bus.Collisions())
		}
		if found[0].Stanza("x") != "" {
			t.Error("a multiplexer has a stanza")
		}
	})
}

// expander models a PCF8574: whatever is written to it sets its pins, which
// may switch relays.
type expander struct{ written int }

func (e *expander) Write(p []byte) error { e.written += len(p); return nil }
func (e *expander) Read(p []byte) error {
	for i := range p {
		p[i] = 0xF7
	}
	return nil
}
func (*expander) Reset() {}

func TestNeverWritesToWhatMayBeARelayBoard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		bus := m.bus(t, "i2c-1")
		low, high := &expander{}, &expander{}
		bus.Attach(0x23, low)
		bus.Attach(0x38, high)
		found, err := m.scan(t)
		if err != nil || len(found) != 2 || found[0].Certainty != sensors.Guessed || found[1].Certainty != sensors.Guessed {
			t.Errorf("%v, %v", found, err)
		}
		if low.written != 0 || high.written != 0 {
			t.Errorf("wrote %d and %d bytes", low.written, high.written)
		}
		if !strings.Contains(found[0].Stanza("p"), "# A guess") {
			t.Error("the stanza does not say that it is a guess")
		}
	})
}

func TestLeavesTheKernelsDevicesAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		bus := m.bus(t, "i2c-1")
		held := &expander{}
		bus.Attach(0x70, held) // the kernel's multiplexer driver has it
		m.file(t, "sys/bus/i2c/devices/1-0070/driver/x", "")
		bus.Attach(0x44, &SHT4x{Air: air(), Serial: 1})
		// The kernel shows channel 0 as a bus of its own, on which the parent's
		// devices answer as well.
		m.file(t, "sys/bus/i2c/devices/i2c-11/name", "i2c-1-mux (chan_id 0)\n")
		channel := m.bus(t, "i2c-11")
		channel.Attach(0x44, &SHT4x{Air: air(), Serial: 1})
		channel.Attach(0x45, &SHT3x{Air: air()})
		m.expect(t,
			"/dev/i2c-1 address 0x44: sht4x, identified (serial number 00000001)",
			"/dev/i2c-11 address 0x45: sht3x, identified (status 0010)",
		)
		if held.written != 0 {
			t.Errorf("wrote %d bytes to a device that the kernel holds", held.written)
		}
	})
}

func TestFindsKernelProbes(t *testing.T) {
	m := newMachine(t)
	m.file(t, "sys/bus/w1/devices/28-0316a2794de1/w1_slave", "")
	m.file(t, "sys/bus/w1/devices/w1_bus_master1/name", "")
	m.file(t, "sys/bus/iio/devices/iio:device0/name", "dht11\n")
	m.file(t, "sys/bus/iio/devices/iio:device0/in_temp_input", "24000")
	m.file(t, "sys/bus/iio/devices/iio:device1/in_voltage0_raw", "1") // a converter
	m.file(t, "sys/class/hwmon/hwmon0/temp1_input", "51000")          // the processor
	m.file(t, "sys/class/hwmon/hwmon1/humidity1_input", "80000")
	m.file(t, "sys/class/hwmon/hwmon1/name", "sht3x\n")
	m.expect(t,
		"/sys/bus/w1/devices/28-0316a2794de1: ds18b20, identified (serial number 0316a2794de1)",
		"/sys/bus/iio/devices/iio:device0: iio, identified (kernel driver dht11)",
		"/sys/class/hwmon/hwmon1: iio, identified (kernel driver sht3x)",
	)
}

func TestABusThatCannotBeOpenedHidesNoOther(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMachine(t)
		m.file(t, "dev/i2c-0", "")
		m.bus(t, "i2c-1").Attach(0x44, &SHT4x{Air: air(), Serial: 1})
		found, err := m.scan(t)
		if !errors.Is(err, errLocked) || len(found) != 1 {
			t.Errorf("%v, %v", found, err)
		}
	})
}

func TestAnEmptyMachine(t *testing.T) {
	if found, err := newMachine(t).scan(t); err != nil || found != nil {
		t.Errorf("%v, %v", found, err)
	}
}

func TestAScanEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	m := newMachine(t)
	bus := m.bus(t, "i2c-1")
	bus.Attach(0x44, &SHT4x{Air: air()})
	_, err := scan.Scan(ctx, table.Families(), scan.Options{Dev: filepath.Join(m.dir, "dev"), Sys: filepath.Join(m.dir, "sys"),
		OpenBus: func(path string) (i2c.BusCloser, error) { return closable{m.buses[path]}, nil }})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("err = %v", err)
	}
}

// TestStanzaIsConfiguration decodes stanzas with the real keys of a probe.
func TestStanzaIsConfiguration(t *testing.T) {
	for _, c := range []struct {
		f    sensors.Finding
		want configs.Probe
	}{
		{sensors.Finding{Family: "sht4x", Certainty: sensors.Identified, Bus: "/dev/i2c-1", Address: 0x44, MuxAddress: 0x70, MuxChannel: 3, Detail: "serial number 1"},
			configs.Probe{ID: "new-1", Family: "sht4x", Place: configs.Litter, Bus: "/dev/i2c-1", Address: 0x44, MuxAddress: 0x70, MuxChannel: 3}},
		{sensors.Finding{Family: "ds18b20", Certainty: sensors.Guessed, Path: "/sys/bus/w1/devices/28-1", Detail: "odd\nname"},
			configs.Probe{ID: "new-1", Family: "ds18b20", Place: configs.Litter, Path: "/sys/bus/w1/devices/28-1"}},
	} {
		var got struct {
			Probe []configs.Probe `toml:"probe"`
		}
		d := toml.NewDecoder(strings.NewReader(c.f.Stanza("new-1")))
		d.DisallowUnknownFields()
		if err := d.Decode(&got); err != nil || len(got.Probe) != 1 || got.Probe[0] != c.want {
			t.Errorf("%+v, %v; want %+v\n%s", got.Probe, err, c.want, c.f.Stanza("new-1"))
		}
	}
}
