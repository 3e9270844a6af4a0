package mqtt

import (
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// A strict broker speaks MQTT 3.1.1 as far as a room needs and refuses what it is told to.
type strict struct {
	mu       sync.Mutex
	refuse   string // a topic
	ends     bool   // the connection, instead of answering 0x80
	most     int    // bytes of a message, at more it ends the connection; 0 for any
	asked    int    // for that topic
	granted  bool
	notices  int
	sessions int
}

func (b *strict) serve(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var done sync.WaitGroup
	t.Cleanup(func() { l.Close(); done.Wait() })
	done.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			done.Go(func() { b.talk(conn) })
		}
	})
	return "tcp://" + l.Addr().String()
}

func (b *strict) talk(conn net.Conn) {
	defer conn.Close()
	for {
		p, err := packets.ReadPacket(conn)
		if err != nil {
			return
		}
		var answer packets.ControlPacket
		switch p := p.(type) {
		case *packets.ConnectPacket:
			answer = packets.NewControlPacket(packets.Connack)
		case *packets.PublishPacket:
			ack := packets.NewControlPacket(packets.Puback).(*packets.PubackPacket)
			ack.MessageID, answer = p.MessageID, ack
			if !b.counts(p) {
				return
			}
		case *packets.SubscribePacket:
			codes := b.codes(p.Topics)
			if codes == nil {
				return
			}
			ack := packets.NewControlPacket(packets.Suback).(*packets.SubackPacket)
			ack.MessageID, ack.ReturnCodes, answer = p.MessageID, codes, ack
		case *packets.PingreqPacket:
			answer = packets.NewControlPacket(packets.Pingresp)
		default:
			continue
		}
		if answer.Write(conn) != nil {
			return
		}
	}
}

// counts reports whether the message is short enough.
func (b *strict) counts(p *packets.PublishPacket) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.most > 0 && len(p.Payload) > b.most {
		return false
	}
	switch p.TopicName {
	case "dewline/attic/notice":
		b.notices++
	case "dewline/attic/status":
		b.sessions++
	}
	return true
}

func (b *strict) codes(topics []string) []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	codes := make([]byte, len(topics))
	i := slices.Index(topics, b.refuse)
	if i < 0 {
		b.granted = b.granted || slices.Contains(topics, "dewline/attic/command")
		return codes
	}
	b.asked++
	if codes[i] = 0x80; b.ends {
		return nil
	}
	return codes
}

func (b *strict) do(f func() bool) func() bool {
	return func() bool { b.mu.Lock(); defer b.mu.Unlock(); return f() }
}

// A subscription that the broker refuses for a while, as with an access list that is
// being written, is asked for again over the same connection (MQTT 3.1.1, section 3.9.3).
func TestClient_RefusedCommandTopic(t *testing.T) {
	t.Parallel()
	b := &strict{refuse: "dewline/attic/command"}
	var mu sync.Mutex
	var told [][]string
	c, _ := client(t, Options{Broker: b.serve(t), Instance: "one", AskAgain: 10 * time.Millisecond, Token: "a token that is long", OnMissing: func(what []string, grave bool) {
		mu.Lock()
		defer mu.Unlock()
		if told = append(told, what); grave != (len(what) > 0) {
			t.Errorf("%q is grave: %v", what, grave)
		}
	}})
	eventually(t, "connected", c.connected)
	eventually(t, "asked again", b.do(func() bool { return b.asked > 3 }))
	b.do(func() bool { b.refuse = ""; return true })()
	eventually(t, "granted", b.do(func() bool { return b.granted && b.sessions == 1 }))
	eventually(t, "that it is told", func() bool { mu.Lock(); defer mu.Unlock(); return len(told) > 1 })
	mu.Lock()
	defer mu.Unlock()
	if len(told) != 2 || len(told[0]) != 1 || !strings.Contains(told[0][0], "dewline/attic/command") || len(told[1]) != 0 {
		t.Errorf("told %q, want once what is missing and once that nothing is", told)
	}
}

// A notice that is too long for the broker, which ends the connection at each try, keeps no
// other back, though it is the more urgent and leaves first.
func TestClient_ANoticeThatEndsTheConnection(t *testing.T) {
	t.Parallel()
	b := &strict{most: 4000}
	c, _ := client(t, Options{Broker: b.serve(t)})
	long, short := notice("long"), notice("short")
	long.Message.Text = strings.Repeat("too long ", 1000)
	eventually(t, "the short one", func() bool {
		eventually(t, "connected", c.connected)
		if err := c.Send(t.Context(), long); err == nil {
			t.Error("the long one was taken over")
		}
		return c.Send(t.Context(), short) == nil
	})
}

// A sentinel that may not listen to a room sees nothing, though it is connected, until it
// may.
func TestClient_RefusedWatch(t *testing.T) {
	t.Parallel()
	b := &strict{refuse: "dewline/den/status"}
	sees := make(chan struct{}, 8)
	c, _ := client(t, Options{Broker: b.serve(t), Watch: []string{"den"}, AskAgain: 10 * time.Millisecond, OnSight: func() { sees <- struct{}{} }})
	eventually(t, "connected", c.connected)
	eventually(t, "asked again", b.do(func() bool { return b.asked > 3 }))
	if len(sees) > 0 {
		t.Error("it says that it sees the room")
	}
	b.do(func() bool { b.refuse = ""; return true })()
	<-sees
}

// A broker that ends the connection at a topic that it refuses (section 4.8) keeps no
// notice back.
func TestClient_BrokerEndsTheConnection(t *testing.T) {
	t.Parallel()
	b := &strict{refuse: "dewline/attic/command", ends: true}
	c, _ := client(t, Options{Broker: b.serve(t), Instance: "one", AskAgain: time.Hour})
	eventually(t, "connected", c.connected)
	if err := c.Send(t.Context(), notice("n/1")); err != nil {
		t.Error(err)
	}
	eventually(t, "the notice", b.do(func() bool { return b.notices == 1 }))
}
