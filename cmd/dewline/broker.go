package main

import (
	"fmt"
	"log/slog"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// A broker is the MQTT broker inside the demo. It listens on loopback only and
// lets everybody in; a room of one's own uses a broker with passwords.
type broker struct {
	server *mochi.Server
	addr   string
}

// startBroker serves on a free port of the loopback interface. What its log
// says of clients that hang up, as all do at the end, would only puzzle.
func startBroker() (*broker, error) {
	s := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler), InlineClient: true})
	tcp := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	err := s.AddHook(new(openDoor), nil)
	if err == nil {
		err = s.AddListener(tcp)
	}
	if err == nil {
		err = s.Serve()
	}
	if err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	return &broker{server: s, addr: tcp.Address()}, nil
}

// openDoor lets every client in. mochi's own hook for that would bring a YAML
// parser into a binary that promises to stay small in memory.
type openDoor struct{ mochi.HookBase }

func (*openDoor) ID() string { return "open-door" }

func (*openDoor) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (*openDoor) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (*openDoor) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// Close stops the broker.
func (b *broker) Close() { _ = b.server.Close() }
