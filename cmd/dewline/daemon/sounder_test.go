package daemon

import (
	"context"
	"errors"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewline/alert"
	"dewline/alert/sounder"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/gpio"
)

// A buzzer is a simulated line.
type buzzer struct{ active atomic.Bool }

func (b *buzzer) Set(active bool) error { b.active.Store(active); return nil }
func (b *buzzer) Close() error          { return nil }

// A hotSource reads lethal heat in one enclosure, once a second.
type hotSource struct {
	idleSource
	now func() sensors.Instant
}

func (s *hotSource) Run(ctx context.Context, sink Sink) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
			at := s.now()
			sink.Reading(sensors.Reading{Probe: "a-1-1-canopy", At: at, Has: sensors.HasTemperature, Temperature: 3500, Quality: sensors.Good})
			sink.Tick(at)
		}
	}
}

// runSounder runs a daemon without any way out and with a buzzer; time goes sixty
// times as fast.
func runSounder(t *testing.T, open func(configs.Sounder) (sounder.Output, error)) (d *Daemon, stop func()) {
	t.Helper()
	cfg := demoConfig(t)
	cfg.MQTT = configs.MQTT{Heartbeat: cfg.MQTT.Heartbeat}
	cfg.People = nil
	cfg.Sounder = configs.Sounder{Chip: "/dev/gpiochip0", Line: 17, When: "unreached"}
	began := time.Now()
	d, err := New(Options{
		Config: cfg, Dir: t.TempDir(), OpenSounder: open, Channels: map[string]alert.Channel{},
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return &hotSource{now: func() sensors.Instant { return d.Now() }}, nil
		},
		Clock: func(resume time.Duration) func() sensors.Instant {
			return func() sensors.Instant {
				run := time.Since(began) * 60
				return sensors.Instant{Mono: resume + run, Wall: began.Add(run), Synced: true}
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	stop = sync.OnceFunc(func() { cancel(); done.Wait() })
	t.Cleanup(stop)
	return d, stop
}

// Lethal heat wakes, and no channel is set up: the buzzer sounds. It is quiet after
// the stop.
func TestDaemon_Sounder(t *testing.T) {
	t.Parallel()
	b := &buzzer{}
	_, stop := runSounder(t, func(configs.Sounder) (sounder.Output, error) { return b, nil })
	soon(t, "the buzzer sounds", b.active.Load)
	stop()
	if b.active.Load() {
		t.Error("it sounds after the stop")
	}
}

// A sounder that does not work is told like a channel, and the watch goes on.
func TestDaemon_SounderMissing(t *testing.T) {
	t.Parallel()
	d, _ := runSounder(t, func(configs.Sounder) (sounder.Output, error) { return nil, errors.New("no such chip") })
	soon(t, "its alarm is raised", func() bool {
		s := d.Snapshot()
		if s == nil {
			return false
		}
		for _, a := range s.Alarms {
			if a.Key.Subject == configs.ChannelSounder && a.Active {
				return s.Delivery.Channels[configs.ChannelSounder].DownWhy == "no such chip"
			}
		}
		return false
	})
	if !d.Lively(time.Now()) && d.Snapshot() == nil {
		t.Error("the watch does not go on")
	}
}

// The board's own openers say what they could not open.
func TestOpenSounder(t *testing.T) {
	if _, err := openSounder(configs.Sounder{LED: "no-such-led-of-dewline"}); err == nil || !strings.Contains(err.Error(), "no-such-led-of-dewline") {
		t.Errorf("an LED that does not exist: %v", err)
	}
	if _, err := openSounder(configs.Sounder{Chip: "/dev/no-such-chip", Line: 3}); err == nil || !strings.Contains(err.Error(), "line 3 of /dev/no-such-chip") {
		t.Errorf("a chip that does not exist: %v", err)
	}
	// gpio-sim of the kernel, where root may make a chip (Documentation/admin-guide/gpio/gpio-sim.rst).
	const sim = "/sys/kernel/config/gpio-sim"
	if _, err := os.Stat(sim); err != nil {
		t.Skipf("there is no gpio-sim here (%v); a real line is not driven", err)
	}
	chip := gpioSim(t, sim)
	out, err := gpio.OpenOut(gpio.Line{Chip: chip, Offset: 0})
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	for _, on := range []bool{true, false} {
		if err := out.Set(on); err != nil {
			t.Errorf("set %v: %v", on, err)
		}
	}
}

// gpioSim makes a simulated chip of eight lines and returns its device.
func gpioSim(t *testing.T, sim string) string {
	t.Helper()
	dir := sim + "/dewline-test"
	for _, d := range []string{dir, dir + "/bank0"} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Skipf("gpio-sim cannot be used (%v); a real line is not driven", err)
		}
		t.Cleanup(func() { _ = os.Remove(d) })
	}
	put := func(file, value string) {
		if err := os.WriteFile(file, []byte(value), 0); err != nil {
			t.Fatal(err)
		}
	}
	put(dir+"/bank0/num_lines", "8")
	put(dir+"/live", "1")
	t.Cleanup(func() { _ = os.WriteFile(dir+"/live", []byte("0"), 0) })
	name, err := os.ReadFile(dir + "/bank0/chip_name")
	if err != nil {
		t.Fatal(err)
	}
	return "/dev/" + strings.TrimSpace(string(name))
}
