package mqtt

import (
	"context"
	"encoding/json"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/alert"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// patience is how long what must come may take before the test fails.
const patience = 2 * time.Minute

// eventually polls, since a broker in another process tells nobody when it is
// ready.
func eventually(t testing.TB, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(patience); time.Now().Before(end); <-tick.C {
		if ok() {
			return
		}
	}
	if !ok() {
		t.Fatalf("after %v still not: %s", patience, what)
	}
}

// A phone subscribes as a person's device does, with a durable session when it
// has a name.
type phone struct {
	t      testing.TB
	client paho.Client
	mu     sync.Mutex
	got    []paho.Message
	ids    map[string]int // notices by id
}

func newPhone(t testing.TB, url, name string, topics ...string) *phone {
	t.Helper()
	p := &phone{t: t, ids: make(map[string]int)}
	o := paho.NewClientOptions().AddBroker(url).SetClientID(name).SetCleanSession(name == "").
		SetConnectRetry(true).SetConnectRetryInterval(100 * time.Millisecond).
		SetMaxReconnectInterval(200 * time.Millisecond).SetOrderMatters(true)
	o.SetDefaultPublishHandler(p.receive)
	var first sync.Once
	hears := make(chan struct{}) // closed once the broker knows what it asks for
	o.SetOnConnectHandler(func(c paho.Client) {
		for _, topic := range topics {
			c.Subscribe(topic, 1, p.receive).Wait()
		}
		first.Do(func() { close(hears) })
	})
	p.client = paho.NewClient(o)
	if !p.client.Connect().WaitTimeout(patience) {
		t.Fatal("phone cannot connect")
	}
	<-hears
	t.Cleanup(p.leave)
	return p
}

func (p *phone) receive(_ paho.Client, m paho.Message) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.got = append(p.got, m)
	var msg alert.Message
	if strings.HasSuffix(m.Topic(), "/notice") && json.Unmarshal(m.Payload(), &msg) == nil {
		p.ids[msg.ID]++
	}
}

func (p *phone) leave() { p.client.Disconnect(100) }

func (p *phone) all() []paho.Message {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.got)
}

// last returns the newest payload on a topic.
func (p *phone) last(topic string) (string, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := len(p.got) - 1; i >= 0; i-- {
		if p.got[i].Topic() == topic {
			return string(p.got[i].Payload()), true
		}
	}
	return "", false
}

func (p *phone) lastIs(topic, want string) func() bool {
	return func() bool {
		got, ok := p.last(topic)
		return ok && got == want
	}
}

// notices counts the notices received by id.
func (p *phone) notices() map[string]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return maps.Clone(p.ids)
}

// client runs a Client until the test ends; the returned func stops it earlier.
func client(t testing.TB, o Options) (*Client, func()) {
	t.Helper()
	if o.Room == "" {
		o.Room = "attic"
	}
	o.Log = slog.New(slog.DiscardHandler)
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	stop := sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-done:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Error("Run does not return")
		}
	})
	t.Cleanup(stop)
	return c, stop
}

func (c *Client) connected() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.session != nil && c.session.alive()
}
