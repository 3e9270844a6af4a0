// Package webhook is the channel that POSTs notices to an address: CloudEvents
// 1.0 in structured JSON mode, or a body of the keeper's own template for
// gateways that want another form. It also sends the outside heartbeat.
package webhook

import (
	"context"
	"net/http"

	"dewline/alert"
)

// Options are what a Hook works by.
type Options struct {
	ID        string
	URL       string
	Secret    []byte // key of the HMAC-SHA256 signature; empty for none
	Template  string // text/template over alert.Message; empty for CloudEvents
	MediaType string // of a templated body; application/json
	Headers   map[string]string
	Room      string       // id, in the event's source
	Client    *http.Client // nil for one made here
}

// A Hook posts notices to one address.
type Hook struct{ opt Options }

// New returns a Hook, or an error for a URL or template that can never work.
func New(o Options) (*Hook, error) { return &Hook{opt: o}, nil }

// Send posts one notice. It implements alert.Channel.
func (h *Hook) Send(ctx context.Context, d alert.Delivery) error { return nil }

// A Beat posts a room's sign of life to an outside address.
type Beat struct{ url string }

// NewBeat returns a Beat for url.
func NewBeat(url string) (*Beat, error) { return &Beat{url: url}, nil }

// Post sends one heartbeat.
func (b *Beat) Post(ctx context.Context, h alert.Heartbeat) error { return nil }
