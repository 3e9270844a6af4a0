package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/chip"
	"dewline/sensors/i2cbus"
	"dewline/sensors/iio"
	"dewline/sensors/remote"
	"dewline/sensors/sht"
	"dewline/sensors/w1"

	"periph.io/x/conn/v3/i2c"
	"periph.io/x/conn/v3/physic"
)

// Buses is the source of real probes: the board's buses and directories, and
// wireless nodes over the broker.
type Buses struct {
	poller     *sensors.Poller
	subscriber *remote.Subscriber // nil where no probe is remote
	log        *slog.Logger
	now        func() sensors.Instant
	sinkMu     sync.Mutex // guards sink
	sink       func(sensors.Reading)
}

// Watchable returns what keeps a configuration without a fault from being run:
// probes that only the demo has.
func Watchable(cfg *configs.Config) error {
	first, more := "", 0
	for _, p := range cfg.Probes {
		switch {
		case p.Family != "simulated":
		case first == "":
			first = p.ID
		default:
			more++
		}
	}
	switch {
	case first == "":
		return nil
	case more > 0:
		first += fmt.Sprintf(", like %d more,", more)
	}
	return fmt.Errorf("probe %s is simulated: run watches real probes, so give the family of one; dewline demo simulates a room", first)
}

// NewBuses builds the probes of a configuration. A bus, a probe or a broker
// that is not there, or that cannot be used, is no error: it shows as bad
// readings until it is, and the others are watched.
func NewBuses(cfg *configs.Config, now func() sensors.Instant, ageing map[sensors.ProbeID]sensors.Ageing, log *slog.Logger) (*Buses, error) {
	b := &Buses{log: log, now: now}
	wires := newWiring(cfg, log)
	for _, p := range cfg.Probes {
		if err := wires.add(p, ageing[sensors.ProbeID(p.ID)], cfg.Rules.FrozenAfter); err != nil {
			log.Error("a probe cannot be used; the others are watched", "probe", p.ID, "err", err)
		}
	}
	var err error
	b.poller, err = sensors.NewPoller(wires.list(), sensors.PollOptions{
		Every: cfg.Room.Poll.D(), Now: now, Sink: b.deliver, Log: log,
	})
	if err != nil {
		return nil, fmt.Errorf("prepare to poll: %w", err)
	}
	if len(wires.nodes) > 0 {
		if b.subscriber, err = newSubscriber(cfg, wires.nodes, log); err != nil {
			log.Error("remote probes cannot be heard; the others are watched", "err", err, "do", "mend [mqtt] or its secret and restart")
			for _, n := range wires.nodes {
				n.Unheard(err)
			}
		}
	}
	return b, nil
}

func (b *Buses) deliver(r sensors.Reading) {
	b.sinkMu.Lock()
	sink := b.sink
	b.sinkMu.Unlock()
	sink(r)
}

// Run polls until ctx ends.
func (b *Buses) Run(ctx context.Context, s Sink) error {
	b.sinkMu.Lock()
	b.sink = s.Reading
	b.sinkMu.Unlock()
	var wg sync.WaitGroup
	if b.subscriber != nil {
		wg.Go(func() {
			if err := b.subscriber.Run(ctx); err != nil {
				b.log.Error("listening for remote probes ended", "err", err)
			}
		})
	}
	b.poller.Run(ctx)
	wg.Wait()
	return nil
}

// KeepsTime is false: the daemon's own ticker does.
func (b *Buses) KeepsTime() bool { return false }

// Buses returns the poller's counts by bus.
func (b *Buses) Buses() []sensors.BusCounts { return b.poller.Buses() }

// Probes returns the poller's counts by probe.
func (b *Buses) Probes() []sensors.ProbeCounts { return b.poller.Probes() }

// Correct puts calibrations in force.
func (b *Buses) Correct(c *sensors.Corrections) { b.poller.Correct(c) }

// FreezeAfter sets how long one and the same value is believed.
func (b *Buses) FreezeAfter(d time.Duration) { b.poller.FreezeAfter(d) }

// Ageing returns what each probe went through.
func (b *Buses) Ageing() map[sensors.ProbeID]sensors.Ageing { return b.poller.Ageing() }

// Resume adds what probes went through before the start.
func (b *Buses) Resume(past map[sensors.ProbeID]sensors.Ageing) { b.poller.Resume(past) }

// Samplers opens every probe of a configuration for reading by hand, sorted by
// the bus that they share. Remote nodes are left out: they speak when they
// like.
func Samplers(cfg *configs.Config, log *slog.Logger) []sensors.Bus {
	wires := newWiring(cfg, log)
	for _, p := range cfg.Probes {
		if p.Family == "remote" || p.Family == "simulated" {
			continue
		}
		_ = wires.add(p, sensors.Ageing{}, cfg.Rules.FrozenAfter) // its samples say what is wrong
	}
	return wires.list()
}

// A Sampler reads one probe, as every probe family can.
type Sampler interface {
	Sample(context.Context) (sensors.Sample, error)
}

// wiring sorts probes by the bus that they share.
type wiring struct {
	log   *slog.Logger
	trees map[string]*i2cbus.Tree
	buses map[string]*sensors.Bus
	order []string
	nodes []*remote.Node
}

func newWiring(cfg *configs.Config, log *slog.Logger) *wiring {
	w := &wiring{log: log, trees: map[string]*i2cbus.Tree{}, buses: map[string]*sensors.Bus{}}
	muxes := map[string][]uint16{}
	for _, p := range cfg.Probes {
		if p.Bus != "" && p.MuxAddress != 0 {
			muxes[p.Bus] = append(muxes[p.Bus], uint16(p.MuxAddress))
		}
	}
	for _, p := range cfg.Probes {
		if p.Bus != "" && w.trees[p.Bus] == nil {
			w.trees[p.Bus] = i2cbus.NewTree(&lateBus{path: p.Bus, log: log}, muxes[p.Bus]...)
		}
	}
	return w
}

func (w *wiring) add(p configs.Probe, age sensors.Ageing, frozen configs.Duration) error {
	s, bus, err := w.open(p)
	if err != nil {
		s, bus = unusable{err}, "unusable"
	}
	if w.buses[bus] == nil {
		w.buses[bus] = &sensors.Bus{Name: bus}
		w.order = append(w.order, bus)
	}
	b := w.buses[bus]
	b.Probes = append(b.Probes, sensors.BusProbe{
		ID: sensors.ProbeID(p.ID), Family: p.Family, Sampler: s, Budget: p.Budget.D(), FrozenAfter: frozen.D(), Ageing: age,
	})
	return err
}

// An unusable probe is one whose driver refuses its configuration.
type unusable struct{ err error }

// Sample says why.
func (u unusable) Sample(context.Context) (sensors.Sample, error) {
	return sensors.Sample{}, sensors.Fault(sensors.BusError, u.err)
}

func (w *wiring) list() []sensors.Bus {
	out := make([]sensors.Bus, 0, len(w.order))
	for _, name := range w.order {
		out = append(out, *w.buses[name])
	}
	return out
}

// open returns a probe's sampler and the name of the bus it shares.
func (w *wiring) open(p configs.Probe) (Sampler, string, error) {
	switch p.Family {
	case "sht4x", "sht3x", "hdc302x":
		bus, err := w.i2c(p)
		if err != nil {
			return nil, "", err
		}
		s, err := sht.Open(p, bus)
		return s, p.Bus, err
	case "bme280", "aht20", "bh1750":
		bus, err := w.i2c(p)
		if err != nil {
			return nil, "", err
		}
		s, err := chip.Open(p, bus)
		return s, p.Bus, err
	case "ds18b20":
		s, err := w1.Open(p)
		return s, w1Master(p.Path), err
	case "iio":
		s, err := iio.Open(p)
		return s, p.Path, err
	case "remote":
		n, err := remote.NewNode(p, sensors.KernelSynced)
		if err == nil {
			w.nodes = append(w.nodes, n)
		}
		return n, "remote", err
	case "simulated":
		return nil, "", fmt.Errorf("a simulated probe exists in dewline demo only; give the family of a real one")
	default:
		return nil, "", fmt.Errorf("nothing reads the family %q", p.Family)
	}
}

func (w *wiring) i2c(p configs.Probe) (i2c.Bus, error) {
	return w.trees[p.Bus].Branch(uint16(p.MuxAddress), p.MuxChannel)
}

// w1Master names the 1-Wire bus that a device folder belongs to, so that two
// buses convert side by side: the kernel's folder links into its master's.
func w1Master(path string) string {
	if real, err := filepath.EvalSymlinks(path); err == nil {
		return "1-wire " + filepath.Base(filepath.Dir(real))
	}
	return "1-wire"
}

// A lateBus is an I²C bus whose device file may appear later.
type lateBus struct {
	path string
	log  *slog.Logger
	mu   sync.Mutex // guards bus
	bus  *i2cbus.Bus
}

// String returns the device file's path.
func (l *lateBus) String() string { return l.path }

// SetSpeed cannot be done on Linux.
func (l *lateBus) SetSpeed(physic.Frequency) error {
	return fmt.Errorf("%s: the speed belongs to the device tree", l.path)
}

// Tx opens the bus if need be and passes the transfer on.
func (l *lateBus) Tx(addr uint16, w, r []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.bus == nil {
		bus, err := i2cbus.Open(l.path, i2cbus.Options{OnRecover: l.recovered})
		if err != nil {
			return sensors.Fault(sensors.BusError, err)
		}
		l.bus = bus
	}
	return l.bus.Tx(addr, w, r)
}

func (l *lateBus) recovered(cause, outcome error) {
	if outcome != nil {
		l.log.Error("a bus has gone; it is tried again with every reading", "bus", l.path, "cause", cause, "err", outcome,
			"do", "look at its adapter, and at the board's configuration")
		return
	}
	l.log.Warn("a bus was opened again", "bus", l.path, "cause", cause, "do", "if this comes again, look for a pinched cable or a wet plug")
}

func newSubscriber(cfg *configs.Config, nodes []*remote.Node, log *slog.Logger) (*remote.Subscriber, error) {
	password, err := secret(cfg.MQTT.PasswordFile)
	if err != nil {
		return nil, fmt.Errorf("read the broker's password for remote probes: %w", err)
	}
	tlsConfig, err := clientTLS(cfg.MQTT, nil)
	if err != nil {
		return nil, err
	}
	return remote.NewSubscriber(remote.SubscriberOptions{
		Broker: cfg.MQTT.Broker, ClientID: "dewline-" + cfg.Room.ID + "-probes", Username: cfg.MQTT.Username,
		Password: password, TLS: tlsConfig, Log: log,
	}, nodes)
}
