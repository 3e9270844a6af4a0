package main

import (
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/hooks/auth"
	"github.com/mochi-mqtt/server/v2/listeners"
)

// A broker is the MQTT broker inside the demo. It listens on loopback only and
// lets everybody in; a room of one's own uses a broker with passwords.
type broker struct {
	server *mochi.Server
	addr   string
}

// startBroker serves on a free port of the loopback interface.
func startBroker(log *slog.Logger) (*broker, error) {
	s := mochi.New(&mochi.Options{Logger: log})
	if err := s.AddHook(new(auth.AllowHook), nil); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	if err := s.AddListener(tcp); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	if err := s.Serve(); err != nil {
		return nil, fmt.Errorf("start the demo's broker: %w", err)
	}
	return &broker{server: s, addr: tcp.Address()}, nil
}

// Close stops the broker.
func (b *broker) Close() { _ = b.server.Close() }

// demoToken makes the token of one demo and the file that holds it.
func demoToken(dir string) (token, file string, err error) {
	token = rand.Text()
	file = filepath.Join(dir, "token")
	if err := os.WriteFile(file, []byte(token+"\n"), 0o600); err != nil {
		return "", "", fmt.Errorf("write the demo's token: %w", err)
	}
	return token, file, nil
}
