package daemon

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/table"
)

// folders makes the kernel's folders of two 1-Wire buses and of one IIO
// device, as Linux' w1_therm.rst and sysfs-bus-iio describe them: a device's
// folder is a link into that of its bus.
func folders(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, x := range []struct{ master, device, text string }{
		{"w1_bus_master1", "28-000000000001", "24125"}, {"w1_bus_master1", "28-000000000002", "24250"},
		{"w1_bus_master2", "28-000000000003", "24375"},
	} {
		real := filepath.Join(dir, "devices", x.master, x.device)
		if err := os.MkdirAll(real, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(real, "temperature"), []byte(x.text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(real, filepath.Join(dir, x.device)); err != nil {
			t.Fatal(err)
		}
	}
	iio := filepath.Join(dir, "iio")
	if err := os.Mkdir(iio, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(iio, "in_temp_input"), []byte("25000"), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// wired is a room with one of each kind of wire, most of which is not there.
func wired(dir string) *configs.Config {
	p := func(id, family string) configs.Probe { return configs.Probe{ID: id, Family: family} }
	at := func(p configs.Probe, bus string, addr, mux, channel int) configs.Probe {
		p.Bus, p.Address, p.MuxAddress, p.MuxChannel = bus, addr, mux, channel
		return p
	}
	in := func(p configs.Probe, path string) configs.Probe { p.Path = filepath.Join(dir, path); return p }
	node := p("node", "remote")
	node.Topic, node.TemperaturePointer = "nodes/1", "/t"
	cfg := &configs.Config{Probes: []configs.Probe{
		at(p("direct", "sht4x"), filepath.Join(dir, "i2c-1"), 0x44, 0, 0),
		at(p("left", "sht4x"), filepath.Join(dir, "i2c-1"), 0x44, 0x70, 0),
		at(p("right", "sht4x"), filepath.Join(dir, "i2c-1"), 0x44, 0x71, 0),
		at(p("other", "bme280"), filepath.Join(dir, "i2c-2"), 0x76, 0, 0),
		in(p("one", "ds18b20"), "28-000000000001"), in(p("two", "ds18b20"), "28-000000000002"),
		in(p("three", "ds18b20"), "28-000000000003"), in(p("kernel", "iio"), "iio"), node,
		at(p("odd", "sht4x"), filepath.Join(dir, "i2c-2"), 0x10, 0, 0), // its driver refuses the address
	}}
	cfg.Room.ID, cfg.Room.Poll = "den", configs.Duration(10*time.Second)
	cfg.MQTT.Broker, cfg.MQTT.PasswordFile = "tcp://127.0.0.1:1", "/nowhere/password"
	return cfg
}

// Probes that share a wire are read one after another, all others side by
// side; equal addresses behind multiplexers share one tree, or the two would
// open their channels at the same time.
func TestWiringSortsProbesByTheirBus(t *testing.T) {
	dir := folders(t)
	cfg := wired(dir)
	var log bytes.Buffer
	buses := table.Wire(cfg, nil, nil, slog.New(slog.NewTextHandler(&log, nil))).Buses()
	if strings.Count(log.String(), "a probe cannot be used") != 1 || !strings.Contains(log.String(), "probe=odd") {
		t.Errorf("the log does not tell of odd alone:\n%s", &log)
	}
	var got []string
	for _, b := range buses {
		line := strings.TrimPrefix(b.Name, dir+"/") + ":"
		for _, p := range b.Probes {
			line += " " + string(p.ID)
		}
		got = append(got, line)
	}
	want := []string{
		"i2c-1: direct left right", "i2c-2: other", "1-wire w1_bus_master1: one two", "1-wire w1_bus_master2: three",
		"iio: kernel", "remote: node", "unusable: odd",
	}
	if !slices.Equal(got, want) {
		t.Errorf("buses\n %s\nwant\n %s", strings.Join(got, "\n "), strings.Join(want, "\n "))
	}
	if n := len(nodesOf(buses)); n != 1 {
		t.Errorf("%d nodes, want 1", n)
	}
}

// Whatever of a room is missing or refused, the rest is read, and what is
// missing is a bad reading with its reason.
func TestBusesReadWhatIsThere(t *testing.T) {
	dir := folders(t)
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		start := time.Now()
		now := func() sensors.Instant {
			return sensors.Instant{Mono: time.Since(start), Wall: time.Now(), Synced: true}
		}
		b, err := NewRealProbes(wired(dir), now, nil, slog.New(slog.NewTextHandler(&log, nil)))
		if err != nil {
			t.Fatal(err)
		}
		for _, want := range []string{"a probe cannot be used", "probe=odd", "remote probes cannot be heard", "/nowhere/password"} {
			if !strings.Contains(log.String(), want) {
				t.Errorf("the log lacks %q:\n%s", want, &log)
			}
		}
		got := map[sensors.ProbeID]sensors.Reading{}
		readings := make(chan sensors.Reading, 100)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // one round
		defer cancel()
		if err := b.Run(ctx, Sink{Reading: func(r sensors.Reading) { readings <- r }}); err != nil {
			t.Fatal(err)
		}
		close(readings)
		// The source of a reload opens the device files itself.
		if _, err := b.wiring.Buses()[0].Probes[0].Sampler.Sample(t.Context()); err == nil || !strings.Contains(err.Error(), "the bus is closed") {
			t.Errorf("after the end of the source: %v", err)
		}
		for r := range readings {
			got[r.Probe] = r
		}
		for id, want := range map[sensors.ProbeID]sensors.Reading{
			"one": {Temperature: 24_13}, "two": {Temperature: 24_25}, "three": {Temperature: 24_38}, "kernel": {Temperature: 25_00},
			"direct": {Reason: sensors.BusError}, "left": {Reason: sensors.BusError}, "right": {Reason: sensors.BusError},
			"other": {Reason: sensors.BusError}, "node": {Reason: sensors.BusError}, "odd": {Reason: sensors.BusError},
		} {
			if r, ok := got[id]; !ok || r.Temperature != want.Temperature || r.Reason != want.Reason {
				t.Errorf("%s: %v, %+v; want %v %q", id, ok, r, want.Temperature, want.Reason)
			}
		}
	})
}

func TestWatchable(t *testing.T) {
	p := func(family string) configs.Probe { return configs.Probe{ID: family + "-1", Family: family} }
	for _, c := range []struct {
		probes []configs.Probe
		want   string
	}{
		{[]configs.Probe{p("sht4x")}, ""},
		{[]configs.Probe{p("sht4x"), p("simulated")}, "probe simulated-1 is simulated"},
		{[]configs.Probe{p("simulated"), p("simulated"), p("simulated")}, "probe simulated-1, like 2 more, is simulated"},
	} {
		err := Watchable(&configs.Config{Probes: c.probes})
		if (err == nil) != (c.want == "") || err != nil && !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%v, want %q", err, c.want)
		}
	}
}
