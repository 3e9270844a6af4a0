package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"dewline/cmd/dewline/daemon"
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/sim"
	"dewline/sensors/table"
)

type demoOptions struct {
	speed  float64
	length time.Duration
	http   string
	dir    string
	seed   uint64
}

func demoCommand() *cobra.Command {
	c := &cobra.Command{Use: "demo", Short: "show everything on a simulated room, without hardware or server", Args: words(0)}
	var o demoOptions
	c.Flags().Float64Var(&o.speed, "speed", 600, "`N` simulated seconds per second")
	c.Flags().DurationVar(&o.length, "for", 0, "simulated time after which to stop, such as 24h; 0 goes on until interrupted")
	c.Flags().StringVar(&o.http, "http", "127.0.0.1:8077", "`ADDRESS` of the page")
	c.Flags().StringVar(&o.dir, "data", "", "data `DIR`; default a temporary one")
	c.Flags().Uint64Var(&o.seed, "seed", 1, "`N` of the simulated room: another seed is another room")
	return does(c, func(ctx context.Context, _ []string, std stdio) error {
		if !(o.speed > 0) || o.speed > 1e6 {
			return usagef("--speed takes a number above 0 and at most 1000000")
		}
		if o.length < 0 {
			return usagef("--for takes a length of time such as 24h")
		}
		return demo(ctx, o, std)
	})
}

func demo(ctx context.Context, o demoOptions, std stdio) error {
	done, err := demoDir(&o)
	if err != nil {
		return err
	}
	defer done()
	cfg, token, err := builtInRoom(o.dir)
	if err != nil {
		return err
	}
	broker, err := startBroker()
	if err != nil {
		return err
	}
	defer broker.Close()
	cfg.MQTT.Broker = "tcp://" + broker.addr
	room, story, err := demoRoom(cfg, o)
	if err != nil {
		return err
	}
	ln, err := demoListener(ctx, o.http, std.err)
	if err != nil {
		return err
	}
	cfg.HTTP.URL = "http://" + ln.Addr().String()
	sim := daemon.NewSimulation(cfg, room, o.speed, o.length)
	show := &shower{w: std.out, loc: cfg.Room.Location, now: sim.Now, raised: map[alarm.ID]int{}, linked: map[string]bool{}}
	d, err := daemon.New(daemon.Options{
		Config: cfg, Dir: o.dir, Version: version, Listener: ln,
		Log:   slog.New(slog.NewTextHandler(std.err, &slog.HandlerOptions{Level: slog.LevelWarn})),
		Clock: sim.Clock,
		Source: func(*configs.Config, func() sensors.Instant, map[sensors.ProbeID]sensors.Ageing) (daemon.Source, error) {
			return sim, nil
		},
		Observe: show.transition, ClimateEvery: 2 * time.Second, ControlPath: filepath.Join(o.dir, "control.sock"),
	})
	if err != nil {
		return err
	}
	show.welcome(cfg, ln.Addr().String(), broker.addr, token, o)
	show.story(story)
	phone, err := newPhone(broker, cfg.Room.ID, show)
	if err != nil {
		return err
	}
	sim.Hold(phone.came)
	err = phone.watch(ctx, d)
	show.summary(cfg, d, phone.counts())
	return err
}

// builtInRoom is the built-in room, with a token of this demo alone.
func builtInRoom(dir string) (cfg *configs.Config, token string, err error) {
	if cfg, err = table.Decode("demo.toml", configs.Demo()); err != nil {
		return nil, "", fmt.Errorf("the built-in room has faults: %w", err)
	}
	token = rand.Text()
	file := filepath.Join(dir, "token")
	if err := os.WriteFile(file, []byte(token+"\n"), 0o600); err != nil {
		return nil, "", fmt.Errorf("write the demo's token: %w", err)
	}
	cfg.MQTT.CommandTokenFile, cfg.HTTP.TokenFile = file, file
	return cfg, token, nil
}

// demoDir makes a temporary directory where none was given; done removes it again.
func demoDir(o *demoOptions) (done func(), err error) {
	if o.dir != "" {
		if err := os.MkdirAll(o.dir, 0o700); err != nil {
			return nil, fmt.Errorf("make the data directory: %w", err)
		}
		return func() {}, nil
	}
	if o.dir, err = os.MkdirTemp("", "dewline-demo-"); err != nil {
		return nil, fmt.Errorf("make a temporary data directory: %w", err)
	}
	return func() { _ = os.RemoveAll(o.dir) }, nil
}

func demoRoom(cfg *configs.Config, o demoOptions) (*sim.Room, []sim.Beat, error) {
	start := time.Date(2026, time.July, 18, 6, 0, 0, 0, cfg.Room.Location)
	opts, err := sim.FromConfig(cfg, o.seed, start)
	if err != nil {
		return nil, nil, fmt.Errorf("describe the simulated room: %w", err)
	}
	room, err := sim.New(opts)
	if err != nil {
		return nil, nil, fmt.Errorf("build the simulated room: %w", err)
	}
	story := sim.Story(opts, start)
	for _, b := range story {
		if err := room.Inject(b.Fault); err != nil {
			return nil, nil, fmt.Errorf("tell the story: %w", err)
		}
	}
	return room, story, nil
}

// demoListener opens the page's address, or another one where it is in use.
func demoListener(ctx context.Context, addr string, warn io.Writer) (net.Listener, error) {
	var lc net.ListenConfig
	ln, err := lc.Listen(ctx, "tcp", addr)
	if err == nil {
		return ln, nil
	}
	host, _, splitErr := net.SplitHostPort(addr)
	if splitErr != nil {
		return nil, usagef("--http %s: %w; write for example 127.0.0.1:8077", addr, splitErr)
	}
	other, otherErr := lc.Listen(ctx, "tcp", net.JoinHostPort(host, "0"))
	if otherErr != nil {
		return nil, fmt.Errorf("open the page's address: %w", errors.Join(err, otherErr))
	}
	fmt.Fprintf(warn, "%v; the page is on %s instead\n", err, other.Addr())
	return other, nil
}
