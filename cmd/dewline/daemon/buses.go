package daemon

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/contact"
	"dewline/sensors/gpio"
	"dewline/sensors/remote"
	"dewline/sensors/table"
)

// RealProbes is the source of real probes: the board's buses and directories, and
// wireless nodes over the broker.
type RealProbes struct {
	*sensors.Poller
	wiring     *table.Wiring
	subscriber *remote.Subscriber // nil where no probe is remote
	contacts   *contact.Watch
	log        *slog.Logger
	sink       func(sensors.Reading) // set before anybody reads
}

// Watchable returns what keeps a configuration without a fault from being run:
// probes that only the demo has.
func Watchable(cfg *configs.Config) error {
	var ids []string
	for _, p := range cfg.Probes {
		if f, _ := table.Of(p.Family); f.DemoOnly {
			ids = append(ids, p.ID)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	if more := len(ids) - 1; more > 0 {
		ids[0] += fmt.Sprintf(", like %d more,", more)
	}
	return fmt.Errorf("probe %s is simulated: run watches real probes, so give the family of one; dewline demo simulates a room", ids[0])
}

// sends reports whether a probe speaks when it likes, over the broker.
func sends(p configs.Probe) bool {
	f, _ := table.Of(p.Family)
	return f.Sends
}

// NewRealProbes builds the probes of a configuration. A bus, a probe or a broker
// that is not there, or that cannot be used, is no error: it shows as bad
// readings until it is, and the others are watched.
func NewRealProbes(cfg *configs.Config, now func() sensors.Instant, ageing map[sensors.ProbeID]sensors.Ageing, log *slog.Logger) (*RealProbes, error) {
	b := &RealProbes{log: log, wiring: table.Wire(cfg, ageing, nil, log)}
	buses := b.wiring.Buses()
	var err error
	b.Poller, err = sensors.NewPoller(buses, sensors.PollOptions{
		Every: cfg.Room.Poll.D(), Now: now, Sink: func(r sensors.Reading) { b.sink(r) }, Log: log,
	})
	if err != nil {
		return nil, fmt.Errorf("prepare to poll: %w", err)
	}
	nodes := nodesOf(buses)
	b.contacts, nodes = watchContacts(cfg.Contacts, nodes, log)
	if len(nodes) > 0 {
		if b.subscriber, err = newSubscriber(cfg, nodes, log); err != nil {
			log.Error("remote probes cannot be heard; the others are watched", "err", err, "do", "mend [mqtt] or its secret and restart")
			for _, n := range nodes {
				n.Unheard(err)
			}
		}
	}
	return b, nil
}

func watchContacts(contacts []configs.Contact, nodes []*remote.Node, log *slog.Logger) (*contact.Watch, []*remote.Node) {
	send := map[string]contact.Node{}
	for _, c := range contacts {
		if c.Topic == "" {
			continue
		}
		n, err := remote.NewContact(c, sensors.KernelSynced)
		if err != nil {
			log.Error("a contact cannot be heard", "contact", c.ID, "err", err, "do", "mend its section and reload")
			continue
		}
		send[c.ID], nodes = n, append(nodes, n)
	}
	return contact.New(contacts, openLine, send), nodes
}

func openLine(c configs.Contact) (contact.Line, error) {
	if c.Chip == "" {
		return nil, errors.New("its node cannot be heard")
	}
	in, err := gpio.OpenIn(gpio.Line{Chip: c.Chip, Offset: c.Line, ActiveLow: c.ActiveLow, Bias: c.Bias})
	if err != nil {
		return nil, err
	}
	return in, nil
}

// nodesOf returns the probes that a broker is listened to for.
func nodesOf(buses []sensors.Bus) (nodes []*remote.Node) {
	for _, b := range buses {
		for _, p := range b.Probes {
			if n, ok := p.Sampler.(*remote.Node); ok {
				nodes = append(nodes, n)
			}
		}
	}
	return nodes
}

// Run polls until ctx ends, and then gives up the device files: the next source
// opens its own. It is called once.
func (b *RealProbes) Run(ctx context.Context, s Sink) error {
	b.sink = s.Reading
	var wg sync.WaitGroup
	if b.subscriber != nil {
		wg.Go(func() { b.subscriber.Run(ctx) })
	}
	if s.Contact != nil {
		wg.Go(func() { b.contacts.Run(ctx, s.Contact) })
	}
	b.Poller.Run(ctx)
	wg.Wait()
	if err := b.wiring.Close(); err != nil {
		b.log.Warn("a bus was not closed", "err", err)
	}
	return nil
}

// KeepsTime is false: the daemon's own ticker does.
func (b *RealProbes) KeepsTime() bool { return false }

// Samplers opens every probe of a configuration that answers when it is asked,
// for reading by hand, sorted by the bus that they share.
func Samplers(cfg *configs.Config, log *slog.Logger) []sensors.Bus {
	return table.Wire(cfg, nil, func(f sensors.Family) bool { return !f.Sends && !f.DemoOnly }, log).Buses()
}

func newSubscriber(cfg *configs.Config, nodes []*remote.Node, log *slog.Logger) (*remote.Subscriber, error) {
	password, tlsConfig, err := brokerAccess(cfg.MQTT, nil)
	if err != nil {
		return nil, err
	}
	return remote.NewSubscriber(remote.SubscriberOptions{
		Broker: cfg.MQTT.Broker, ClientID: "dewline-" + cfg.Room.ID + "-probes-" + strings.ToLower(rand.Text()[:6]), Username: cfg.MQTT.Username,
		Password: password, TLS: tlsConfig, Log: log,
	}, nodes)
}
