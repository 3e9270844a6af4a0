// Package mqtt is the channel over an MQTT 3.1.1 broker: notices, retained
// climate and alarm documents, status with last will, heartbeat, and commands
// with their replies, all under dewline/<room>/.
//
// It keeps nothing on disk: what must not be lost is in the Desk's documents.
package mqtt

import (
	"context"
	"crypto/tls"
	"log/slog"
	"time"

	"dewline/alert"
	"dewline/rules"
)

// Options are what a Client works by.
type Options struct {
	Room     string // id, in topics
	Broker   string // "tcp://host:1883", "ssl://host:8883"
	ClientID string // default "dewline-" and the room
	Username string
	Password string
	TLS      *tls.Config // nil for the system's roots
	// Token that commands must carry; empty refuses every command.
	Token string
	// OnCommand answers a command whose form and token are right. It runs on
	// the client's own goroutine, never on paho's.
	OnCommand func(context.Context, alert.Command) alert.Reply
	// OnState is told when the connection comes up or goes down; it must not
	// block.
	OnState func(up bool)
	// Rebuild throws the connection away when nothing was confirmed for so
	// long although something was sent; 3 min.
	Rebuild time.Duration
	Log     *slog.Logger
}

// A Client is one connection, kept up for as long as Run runs. Its methods are
// safe for concurrent use.
type Client struct{ opt Options }

// New returns a Client; it does not connect. It fails on options that can
// never work.
func New(o Options) (*Client, error) { return &Client{opt: o}, nil }

// Run connects and stays connected until ctx ends, then publishes "offline"
// and disconnects. A broker that is away is no error.
func (c *Client) Run(ctx context.Context) error { return nil }

// Send publishes a notice at QoS 1 and returns nil once the broker has
// confirmed it over an unbroken connection. It implements alert.Channel.
func (c *Client) Send(ctx context.Context, d alert.Delivery) error { return nil }

// Climate sets the retained document of an enclosure's climate. It returns at
// once; only the newest document is published.
func (c *Client) Climate(enclosure string, doc []byte) {}

// Alarm sets the retained document of an alarm, nil once it is NORM, which
// removes it. It returns at once.
func (c *Client) Alarm(k rules.Key, doc []byte) {}

// Heartbeat publishes a sign of life, if connected. It returns at once.
func (c *Client) Heartbeat(h alert.Heartbeat) {}

// Connected reports whether the connection is open now.
func (c *Client) Connected() bool { return false }

// LastConfirmed returns when the broker last confirmed a message.
func (c *Client) LastConfirmed() time.Time { return time.Time{} }
