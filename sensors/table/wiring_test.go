package table

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// A file is a bus that counts how often it was closed.
type file struct {
	i2c.Bus
	path   string
	closed int
	err    error
}

func (f *file) String() string { return f.path }

func (f *file) Close() error { f.closed++; return f.err }

// A reload that changes the probes wires them anew: what the old wiring had
// opened, each bus once, is given up, also where one cannot be closed.
func TestCloseGivesEveryBusUp(t *testing.T) {
	files := map[string]*file{}
	w := newWiring(slog.New(slog.DiscardHandler))
	w.openFile = func(path string) i2c.BusCloser {
		if files[path] != nil {
			t.Errorf("%s is opened twice", path)
		}
		files[path] = &file{path: path}
		return files[path]
	}
	cfg := &configs.Config{Probes: []configs.Probe{
		{ID: "a", Family: "sht4x", Bus: "/dev/i2c-1", Address: 0x44},
		{ID: "b", Family: "bme280", Bus: "/dev/i2c-1", Address: 0x76},
		{ID: "c", Family: "sht4x", Bus: "/dev/i2c-2", Address: 0x44, MuxAddress: 0x70},
		{ID: "d", Family: "ds18b20", Path: "/nowhere"},
	}}
	w.wire(cfg, nil, nil)
	files["/dev/i2c-1"].err = errors.New("it sticks")
	if err := w.Close(); err == nil || !strings.Contains(err.Error(), "/dev/i2c-1: it sticks") {
		t.Errorf("Close: %v", err)
	}
	for path, f := range files {
		if f.closed != 1 {
			t.Errorf("%s was closed %d times, want once", path, f.closed)
		}
	}
	if len(files) != 2 {
		t.Errorf("%d buses, want 2", len(files))
	}
}

// What no driver takes is a probe all the same, whose samples say why.
func TestAnUnusableProbeSaysWhy(t *testing.T) {
	for _, c := range []struct {
		p    configs.Probe
		want string
	}{
		{configs.Probe{Family: "sht4x", Bus: "/dev/i2c-1", Address: 0x76}, "a sht4x has one of the addresses [0x44 0x45 0x46], not 0x76"},
		{configs.Probe{Family: "aht20", Bus: "/dev/i2c-1", Address: 0x39}, "a aht20 has one of the addresses [0x38], not 0x39"},
		{configs.Probe{Family: "bh1750", Address: 0x23}, "a bh1750 needs a bus"},
		{configs.Probe{Family: "sht4x", Bus: "/dev/i2c-1", Address: 0x44, MuxAddress: 0x70, MuxChannel: 9}, "channels 0 to 7, not 9"},
		{configs.Probe{Family: "simulated"}, "exists in dewline demo only"},
		{configs.Probe{Family: "remote", Topic: "n", TemperaturePointer: "/~9"}, "a tilde is written ~0"},
		{configs.Probe{Family: "remote", TemperaturePointer: "/t"}, "needs a topic"},
		{configs.Probe{Family: "unheard-of"}, `nothing reads the family "unheard-of"`},
	} {
		c.p.ID = "p"
		buses := Wire(&configs.Config{Probes: []configs.Probe{c.p}}, nil, nil, slog.New(slog.DiscardHandler)).Buses()
		if len(buses) != 1 || len(buses[0].Probes) != 1 {
			t.Errorf("%+v: %+v", c.p, buses)
			continue
		}
		_, err := buses[0].Probes[0].Sampler.Sample(context.Background())
		if sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.p.Family, err, c.want)
		}
	}
}
