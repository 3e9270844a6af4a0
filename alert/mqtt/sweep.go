package mqtt

import (
	"context"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// sweepAfter leaves time for the retained messages to arrive and for the
// daemon to set the alarms that it restored.
const sweepAfter = 5 * time.Second

// sweep removes retained alarms that no longer exist: those that ended while
// the daemon or the broker was away, and those of enclosures since removed. A
// phone would show them for ever.
func (c *Client) sweep(ctx context.Context, s *session) {
	var mu sync.Mutex
	seen := make(map[string]bool)
	filter := c.base + "alarm/#"
	err := s.subscribe(ctx, func(_ paho.Client, m paho.Message) {
		if m.Retained() && len(m.Payload()) > 0 {
			mu.Lock()
			defer mu.Unlock()
			seen[strings.TrimPrefix(m.Topic(), c.base)] = true
		}
	}, filter)
	if err != nil {
		if ctx.Err() == nil && s.alive() {
			c.opt.Log.Info("retained alarms of an earlier run cannot be tidied up", "err", err)
		}
		return
	}
	select {
	case <-ctx.Done():
		return
	case <-s.lost:
		return
	case <-time.After(sweepAfter):
	}
	s.client.Unsubscribe(filter)
	mu.Lock()
	defer mu.Unlock()
	c.mu.Lock()
	for topic := range seen {
		if _, known := c.docs[topic]; !known {
			c.docs[topic], c.dirty[topic] = nil, true
		}
	}
	c.mu.Unlock()
	c.poke()
}
