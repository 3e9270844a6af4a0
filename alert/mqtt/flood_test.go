package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewline/alert"
	"dewline/sensors/remote/mosquitto"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// floodRate is how much junk a second comes.
const floodRate = 4000

// flood sends junk until the returned function is called, which returns how much
// it was.
func flood(t *testing.T, url, topic string) func() int {
	t.Helper()
	o := paho.NewClientOptions().AddBroker(url).SetClientID("stranger")
	c := paho.NewClient(o)
	if !c.Connect().WaitTimeout(patience) {
		t.Fatal("the stranger cannot connect")
	}
	stop := make(chan struct{})
	var sent int
	var done sync.WaitGroup
	done.Go(func() {
		tick := time.NewTicker(10 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			for range floodRate / 100 {
				sent++
				c.Publish(topic, 0, false, fmt.Sprintf(`{"id":"%d","action":"shelve","subject":"e1","minutes":9,"by":"robin","token":"guess","signature":"%064x"}`, sent, sent))
			}
		}
	})
	return func() int { close(stop); done.Wait(); c.Disconnect(100); return sent }
}

// The keeper's own command is answered while a stranger sends 4,000 a second, and
// what is refused fills neither log nor journal.
func TestClient_CommandUnderAFlood(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	var refused, let atomic.Int64
	var mu sync.Mutex
	var log bytes.Buffer
	c, err := New(Options{
		Room: "den", Broker: b.URL(), Keys: map[string][]byte{"robin": []byte(robinsKey)}, Token: "sesame", TokenFor: TokenAnswers,
		Log:       slog.New(slog.NewTextHandler(locked{&mu, &log}, nil)),
		OnRefused: func(alert.Command, string) { refused.Add(1) },
		OnCommand: func(context.Context, alert.Command) alert.Reply { let.Add(1); return alert.Reply{OK: true} },
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() { _ = c.Run(ctx) })
	defer func() { cancel(); done.Wait() }()
	eventually(t, "connected", c.connected)
	began := time.Now()
	p := newPhone(t, b.URL(), "", "dewline/den/command/reply")
	stop := flood(t, b.URL(), "dewline/den/command")
	eventually(t, "the flood is there", func() bool { return refused.Load() >= refusedAtOnce })
	const each = 10
	for i := range each {
		s := Signed{Command: alert.Command{ID: fmt.Sprintf("mine-%d", i), Action: "unshelve", Subject: "e1"}, Time: time.Now()}
		if i%2 > 0 {
			s.Command, s.Time = alert.Command{ID: s.ID, Action: "acknowledge", Notice: "den/1", Token: "sesame", By: "una"}, time.Time{}
		}
		payload, _ := json.Marshal(s)
		if i%2 == 0 {
			payload = signed(t, s)
		}
		p.client.Publish("dewline/den/command", 1, false, payload).Wait()
		eventually(t, "an answer to "+string(payload), func() bool {
			r, _ := p.lastWith("dewline/den/command/reply", s.ID)
			return strings.Contains(r, `"ok":true`)
		})
	}
	sent := stop()
	cancel()
	done.Wait() // what it logs it also tells of
	most := refusedAtOnce + 1 + int(time.Since(began)/refusedEvery)
	lines := strings.Count(log.String(), "command refused")
	t.Logf("%d junk commands: %d lines in the log, %d in the journal", sent, lines, refused.Load())
	if let.Load() != each || lines > most || int(refused.Load()) != lines {
		t.Errorf("%d of %d let in; %d lines, want at most %d, %d told", let.Load(), each, lines, most, refused.Load())
	}
}

// lastWith returns the newest payload on a topic that holds a text.
func (p *phone) lastWith(topic, text string) (string, bool) {
	all := p.all()
	for i := len(all) - 1; i >= 0; i-- {
		if s := string(all[i].Payload()); all[i].Topic() == topic && strings.Contains(s, text) {
			return s, true
		}
	}
	return "", false
}

// locked is a writer that others read between its writes.
type locked struct {
	mu *sync.Mutex
	b  *bytes.Buffer
}

func (l locked) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

// A told is a message that a broker brings.
type told struct {
	paho.Message
	payload []byte
}

func (m told) Payload() []byte { return m.payload }
func (m told) Retained() bool  { return false }

// A command that is let in counts as taken, and its repetition as another try: it
// finds a place however many refused ones wait to be answered.
func TestReceive_whatIsLetInIsNotDropped(t *testing.T) {
	c, err := New(Options{Room: "den", Broker: "tcp://localhost:1", Keys: map[string][]byte{"robin": []byte(robinsKey)}})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 * refusedAtOnce {
		c.receive(nil, told{payload: []byte(`{"action":"shelve"}`)})
	}
	c.receive(nil, told{payload: signed(t, Signed{Command: alert.Command{ID: "1", Action: "acknowledge", Notice: "a/b/1", Version: 1}})})
	for range len(c.requests) {
		if r := <-c.requests; r.refused == "" {
			return
		}
	}
	t.Error("it was dropped")
}
