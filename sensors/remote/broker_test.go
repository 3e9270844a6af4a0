package remote

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"

	"dewline/sensors"
	"dewline/sensors/remote/mosquitto"
)

// patience is how long a step may take before the test fails.
const patience = 2 * time.Minute

// A broker has an address.
type broker interface{ URL() string }

func startBroker(t *testing.T) *mosquitto.Broker {
	t.Helper()
	b := mosquitto.New(t, "persistence false")
	b.Start()
	return b
}

// eventually waits for another process to bring cond about.
func eventually(t *testing.T, what string, cond func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(patience); time.Now().Before(end); <-tick.C {
		if cond() {
			return
		}
	}
	t.Fatalf("not within %v: %s", patience, what)
}

// wireless is a probe node with a client of its own.
type wireless struct{ c mqtt.Client }

func dial(t *testing.T, b broker) *wireless {
	t.Helper()
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(b.URL()).SetClientID("node-" + t.Name()))
	if tok := c.Connect(); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal("node cannot connect: ", tok.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return &wireless{c}
}

func (w *wireless) send(t *testing.T, retain bool, payload string) {
	t.Helper()
	if tok := w.c.Publish("nodes/4", 1, retain, payload); !tok.WaitTimeout(patience) || tok.Error() != nil {
		t.Fatal("node cannot publish: ", tok.Error())
	}
}

// listen runs a subscriber until the test or the returned stop ends it.
func listen(t *testing.T, b broker, log *slog.Logger, nodes ...*Node) (stop func()) {
	t.Helper()
	s, err := NewSubscriber(SubscriberOptions{Broker: b.URL(), ClientID: "dewline-" + t.Name(), Log: log}, nodes)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { s.Run(ctx) })
	stop = func() { cancel(); wg.Wait() }
	t.Cleanup(stop)
	return stop
}

func reason(t *testing.T, n *Node) sensors.Reason {
	t.Helper()
	_, err := n.Sample(t.Context())
	return sensors.ReasonOf(err)
}

// heldBy is the newest value that arrived at a node, good or not.
func heldBy(n *Node) held {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.held
}

func at(t float64, when time.Time) string {
	return fmt.Sprintf(`{"t": %g, "h": 80, "at": %q}`, t, when.UTC().Format(time.RFC3339Nano))
}

// What age and clocks make of a node is tested with virtual time, in pace_test.go and node_test.go.
func TestANodeThroughMosquitto(t *testing.T) {
	b := startBroker(t)
	aged, plain := newNode(t, node(), nil), newNode(t, untimed(), nil)
	w := dial(t, b)

	// The node had retained an hour-old value before anybody listened.
	w.send(t, true, at(19, time.Now().Add(-time.Hour)))
	stop := listen(t, b, nil, aged, plain)
	eventually(t, "the retained message reaches both probes of the topic", func() bool {
		return heldBy(aged).any && heldBy(plain).any
	})
	if r1, r2 := reason(t, aged), reason(t, plain); r1 != sensors.TooOld || r2 != sensors.Waiting {
		t.Fatalf("a retained old value: %v with time, %v without", r1, r2)
	}

	w.send(t, true, at(24, time.Now()))
	eventually(t, "a live value is taken", func() bool { return reason(t, aged) == sensors.NoReason && reason(t, plain) == sensors.NoReason })
	if s, err := aged.Sample(t.Context()); err != nil || s.Temperature != 24_00 {
		t.Errorf("%v, %v", s.Temperature, err)
	}
	stop()
}

// A node whose clock is an hour ahead, over the real way.
func TestAWrongClockThroughMosquitto(t *testing.T) {
	t.Parallel()
	b := startBroker(t)
	n := newNode(t, node(), nil)
	log := &lockedBuffer{}
	w, stop := dial(t, b), listen(t, b, slog.New(slog.NewTextHandler(log, nil)), n)
	celsius := 31.0
	eventually(t, "what keeps pace is taken, and doubted", func() bool {
		celsius += 0.001
		w.send(t, false, at(celsius, time.Now().Add(time.Hour)))
		s, err := n.Sample(t.Context())
		return err == nil && s.Doubt == sensors.WrongClock
	})
	eventually(t, "the log says which node and what to do", func() bool {
		return strings.Contains(log.String(), "1h0m0s ahead") && strings.Contains(log.String(), "probe=shelf-4") && strings.Contains(log.String(), "do=")
	})
	stop()
}

// What arrives in a burst is taken in its order, so that the last one stays.
func TestABurstKeepsItsOrder(t *testing.T) {
	t.Parallel()
	b := startBroker(t)
	n := newNode(t, untimed(), nil)
	log := &lockedBuffer{}
	w, stop := dial(t, b), listen(t, b, slog.New(slog.NewTextHandler(log, nil)), n)
	eventually(t, "it listens", func() bool { return strings.Contains(log.String(), "listening") })
	const burst = 500
	for i := range burst {
		w.c.Publish("nodes/4", 0, false, fmt.Sprintf(`{"t": %.2f, "h": 80}`, 20+float64(i)/100))
	}
	eventually(t, "the last of the burst is the one held", func() bool { return heldBy(n).sample.Temperature == 2000+burst-1 })
	stop()
}

func TestTheSubscriberOutlivesTheBroker(t *testing.T) {
	b := startBroker(t)
	n := newNode(t, untimed(), nil)
	b.Stop() // at the start there is no broker at all
	log := &lockedBuffer{}
	stop := listen(t, b, slog.New(slog.NewTextHandler(log, nil)), n)
	eventually(t, "the log says so and what to do", func() bool {
		return strings.Contains(log.String(), "no connection to the broker") && strings.Contains(log.String(), "[mqtt]")
	})
	b.Start()
	for round := range 2 {
		w := dial(t, b)
		before := heldBy(n).arrived
		eventually(t, fmt.Sprintf("round %d: a message arrives", round), func() bool {
			w.send(t, false, `{"t": 24, "h": 80}`)
			return heldBy(n).arrived.After(before)
		})
		w.c.Disconnect(50)
		b.Stop()
		b.Start()
	}
	stop()
}

// lockedBuffer is a log that two goroutines may touch.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// strict is a broker's rule that lets clients in but not read.
type strict struct {
	mochi.HookBase
	locked bool // not even in
}

func (strict) ID() string { return "strict" }
func (strict) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}
func (s strict) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return !s.locked }
func (strict) OnACLCheck(_ *mochi.Client, _ string, write bool) bool      { return write }

// refusing runs a broker that refuses what s says.
func refusing(t *testing.T, s strict) broker {
	t.Helper()
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&s, nil); err != nil {
		t.Fatal(err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := server.AddListener(tcp); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	return address("tcp://" + tcp.Address())
}

// An address is that of a broker of this process.
type address string

func (a address) URL() string { return string(a) }

func TestAWrongPasswordIsTold(t *testing.T) {
	t.Parallel()
	b := refusing(t, strict{locked: true})
	log := &lockedBuffer{}
	stop := listen(t, b, slog.New(slog.NewTextHandler(log, nil)), newNode(t, untimed(), nil))
	eventually(t, "the refusal is logged with advice", func() bool {
		return strings.Contains(log.String(), "password") && strings.Contains(log.String(), b.URL())
	})
	stop()
}

// Trying again every few seconds is not worth a line each, another reason is.
func TestAReasonIsToldOnceForEachOutage(t *testing.T) {
	log := &lockedBuffer{}
	s, err := NewSubscriber(SubscriberOptions{Broker: "tcp://x:1", ClientID: "x", Log: slog.New(slog.NewTextHandler(log, nil))},
		[]*Node{newNode(t, untimed(), nil)})
	if err != nil {
		t.Fatal(err)
	}
	down, barred := errors.New("refused"), errors.New("not authorized")
	for i, c := range []struct {
		why  error // nil for a connection
		told int
	}{{down, 1}, {down, 1}, {barred, 2}, {barred, 2}, {nil, 2}, {barred, 3}} {
		if c.why != nil {
			s.unreachable(c.why)
		} else {
			s.reached()
		}
		if got := strings.Count(log.String(), "no connection"); got != c.told {
			t.Errorf("step %d: %d lines, want %d", i, got, c.told)
		}
	}
}

func TestARefusedTopicIsToldToTheKeeper(t *testing.T) {
	b := refusing(t, strict{})
	log := &lockedBuffer{}
	stop := listen(t, b, slog.New(slog.NewTextHandler(log, nil)), newNode(t, untimed(), nil))
	eventually(t, "the refusal is logged with topic and advice", func() bool {
		return strings.Contains(log.String(), "access list") && strings.Contains(log.String(), "nodes/4")
	})
	stop()
}

// A subscriber that ends takes everything with it that it started.
func TestRunLeavesNothingBehind(t *testing.T) {
	b := startBroker(t)
	before := goleak.IgnoreCurrent()
	n := newNode(t, untimed(), nil)
	log := &lockedBuffer{}
	stop := listen(t, b, slog.New(slog.NewTextHandler(log, nil)), n)
	eventually(t, "it listens", func() bool { return strings.Contains(log.String(), "listening") })
	stop()
	eventually(t, "all that it started has ended", func() bool { return goleak.Find(before) == nil })
}

func TestNewSubscriberRefuses(t *testing.T) {
	n := newNode(t, node(), nil)
	for name, o := range map[string]SubscriberOptions{"broker": {ClientID: "x"}, "client": {Broker: "tcp://x:1"}} {
		if _, err := NewSubscriber(o, []*Node{n}); err == nil {
			t.Errorf("without %s: accepted", name)
		}
	}
	if _, err := NewSubscriber(SubscriberOptions{Broker: "tcp://x:1", ClientID: "x"}, nil); err == nil {
		t.Error("without nodes: accepted")
	}
}
