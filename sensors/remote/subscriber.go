package remote

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

const (
	atLeastOnce    = 1 // MQTT quality of service
	subscribeWait  = 10 * time.Second
	subscribeAgain = 30 * time.Second
	goodbye        = 250 // ms that a disconnect may take
)

// SubscriberOptions say which broker to listen on.
type SubscriberOptions struct {
	Broker   string // "tcp://host:1883", "ssl://host:8883"
	ClientID string // unique on the broker
	Username string
	Password string
	TLS      *tls.Config // nil for the system's defaults
	Log      *slog.Logger
}

// A Subscriber feeds nodes from one broker over a connection of its own, so
// that nothing else's outage or backlog delays a reading.
type Subscriber struct {
	opts  SubscriberOptions
	nodes map[string][]*Node // by topic

	connected chan struct{} // a connection has come that was not asked for topics yet

	mu     sync.Mutex
	failed string // why there is no connection, as last told
}

// NewSubscriber returns a subscriber for nodes; several may share a topic.
func NewSubscriber(o SubscriberOptions, nodes []*Node) (*Subscriber, error) {
	if o.Broker == "" || o.ClientID == "" {
		return nil, errors.New("remote probes need a broker and a client id")
	}
	if len(nodes) == 0 {
		return nil, errors.New("no remote probes to listen for")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Subscriber{opts: o, nodes: map[string][]*Node{}, connected: make(chan struct{}, 1)}
	for _, n := range nodes {
		s.nodes[n.topic] = append(s.nodes[n.topic], n)
	}
	return s, nil
}

// Run listens until ctx ends, connecting again as often as needed. It may be called once.
func (s *Subscriber) Run(ctx context.Context) {
	c := mqtt.NewClient(s.clientOptions(ctx))
	// With ConnectRetry the token of Connect completes at the first success
	// only; how the connection fares is told to the handlers.
	c.Connect()
	defer c.Disconnect(goodbye)
	again := time.NewTimer(subscribeAgain)
	again.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.connected:
		case <-again.C:
		}
		again.Stop()
		if c.IsConnectionOpen() && !s.subscribe(ctx, c) {
			again.Reset(subscribeAgain)
		}
	}
}

func (s *Subscriber) clientOptions(ctx context.Context) *mqtt.ClientOptions {
	o := mqtt.NewClientOptions().
		AddBroker(s.opts.Broker).
		SetClientID(s.opts.ClientID).
		SetUsername(s.opts.Username).
		SetPassword(s.opts.Password).
		// A clean session: a backlog kept by the broker would look live.
		SetCleanSession(true).
		// Only in their order do messages tell a backlog from a wrong clock.
		// Deliver neither waits nor publishes, so that this cannot block.
		SetOrderMatters(true).
		SetAutoReconnect(true).
		SetConnectRetry(true).
		SetConnectRetryInterval(5 * time.Second).
		SetMaxReconnectInterval(60 * time.Second).
		SetConnectTimeout(10 * time.Second).
		SetWriteTimeout(10 * time.Second).
		SetKeepAlive(30 * time.Second).
		SetPingTimeout(10 * time.Second)
	if s.opts.TLS != nil {
		o.SetTLSConfig(s.opts.TLS)
	}
	o.SetOnConnectHandler(func(mqtt.Client) { s.reached() })
	o.SetConnectionNotificationHandler(func(_ mqtt.Client, n mqtt.ConnectionNotification) {
		if f, ok := n.(mqtt.ConnectionNotificationFailed); ok && ctx.Err() == nil {
			s.unreachable(f.Reason)
		}
	})
	o.SetConnectionLostHandler(func(_ mqtt.Client, err error) {
		s.opts.Log.Warn("lost the broker that remote probes publish on; connecting again", "broker", s.opts.Broker, "err", err)
	})
	return o
}

// reached notes a new connection, of which no topic was asked yet.
func (s *Subscriber) reached() {
	s.mu.Lock()
	s.failed = ""
	s.mu.Unlock()
	select {
	case s.connected <- struct{}{}:
	default: // it stands there already
	}
}

// unreachable tells why there is no connection, once for each reason until there is one:
// without a word a wrong password would look like silent nodes.
func (s *Subscriber) unreachable(why error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if why.Error() == s.failed {
		return
	}
	s.failed = why.Error()
	s.opts.Log.Error("no connection to the broker that remote probes publish on; trying again", "broker", s.opts.Broker, "err", why,
		"do", "check that it runs, and the address, name, password and certificate in [mqtt]")
}

// subscribe asks for every topic and reports whether the broker granted all. One without
// subscriptions would look healthy and stay silent, so it is asked again.
func (s *Subscriber) subscribe(ctx context.Context, c mqtt.Client) bool {
	err := s.ask(ctx, c)
	switch {
	case err == nil:
		s.opts.Log.Info("listening for remote probes", "broker", s.opts.Broker, "topics", len(s.nodes))
	case ctx.Err() == nil:
		s.opts.Log.Error("cannot subscribe to the topics of remote probes; check the broker's access list",
			"broker", s.opts.Broker, "err", err)
	}
	return err == nil
}

func (s *Subscriber) ask(ctx context.Context, c mqtt.Client) error {
	filters := make(map[string]byte, len(s.nodes))
	for topic := range s.nodes {
		filters[topic] = atLeastOnce
	}
	token := c.SubscribeMultiple(filters, func(_ mqtt.Client, m mqtt.Message) { s.deliver(m) })
	ctx, cancel := context.WithTimeout(ctx, subscribeWait)
	defer cancel()
	select {
	case <-token.Done():
	case <-ctx.Done():
		return errors.New("no answer from the broker")
	}
	if err := token.Error(); err != nil {
		return err
	}
	return refused(token)
}

// refused names the topics that the broker will not let us read.
func refused(token mqtt.Token) error {
	t, ok := token.(*mqtt.SubscribeToken)
	if !ok {
		return nil
	}
	const failure = 0x80 // MQTT 3.1.1, section 3.9.3
	var topics []string
	for topic, code := range t.Result() {
		if code == failure {
			topics = append(topics, topic)
		}
	}
	if topics == nil {
		return nil
	}
	return fmt.Errorf("refused: %s", strings.Join(topics, ", "))
}

func (s *Subscriber) deliver(m mqtt.Message) {
	for _, n := range s.nodes[m.Topic()] {
		if news := n.Deliver(Message{Payload: m.Payload(), Retained: m.Retained()}); news != "" {
			s.opts.Log.Warn("a node's clock: "+news, "probe", n.id, "topic", n.topic,
				"do", "while it is wrong set it, or take time_pointer out of the probe's section")
		}
	}
}
