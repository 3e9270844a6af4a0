package mqtt

import (
	"context"
	"encoding/json"
	"strings"
	"sync"
	"time"
	"unicode"

	"dewline/rules/alarm"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// sweepAfter leaves time for the retained messages to arrive and for the
// daemon to set the alarms that it restored. What an older version left bears no
// instance: it may be another board's, which has shown itself by legacyAfter.
const (
	sweepAfter  = 5 * time.Second
	legacyAfter = 75 * time.Second // two heartbeats and some
)

// maxInstance is the most that an instance is long, in bytes.
const maxInstance = 32

// unknownBoard stands for a board of a version without instances.
const unknownBoard = "one of an older version"

// A marked is what alarms and heartbeats of any board say of themselves.
type marked struct {
	Instance string      `json:"instance"`
	State    alarm.State `json:"state"`
}

func markedIn(payload []byte) (m marked) {
	_ = json.Unmarshal(payload, &m) // then it is nobody's
	return m
}

// gravity orders what boards with one room id say of one alarm: what nobody
// answered, what is answered, what is over or put away; nothing is least.
func gravity(payload []byte) int {
	switch state := markedIn(payload).State; {
	case len(payload) == 0:
		return 0
	case state == alarm.Unack:
		return 3
	case state == alarm.Acked:
		return 2
	}
	return 1
}

func (c *Client) noticeOther(_ paho.Client, m paho.Message) {
	instance, valid := markedIn(m.Payload()).Instance, json.Valid(m.Payload())
	if strings.HasSuffix(m.Topic(), boardTopic) {
		instance, _, valid = strings.Cut(string(m.Payload()), " ")
	}
	if m.Retained() || instance == c.opt.Instance || !valid || len(m.Payload()) > maxCommand ||
		len(instance) > maxInstance || strings.ContainsFunc(instance, func(r rune) bool { return !unicode.IsGraphic(r) }) {
		return // junk is no board
	}
	if instance == "" {
		instance = unknownBoard
	}
	c.mu.Lock()
	c.other = true
	c.mu.Unlock()
	if c.opt.OnOther != nil {
		c.opt.OnOther(instance)
	}
}

// sweep removes retained alarms of this board that no longer exist: those that
// ended while the daemon or the broker was away, and those of enclosures since
// removed. A phone would show them for ever. Where another board with this room's
// id removes an alarm that is open here, or shows it as milder than it is here, it
// is published again.
func (c *Client) sweep(ctx context.Context, s *session) {
	var mu sync.Mutex
	seen := make(map[string]string) // whose, by topic
	err := s.subscribe(ctx, func(_ paho.Client, m paho.Message) {
		topic, instance := strings.TrimPrefix(m.Topic(), c.base), markedIn(m.Payload()).Instance
		if len(m.Payload()) == 0 || instance != c.opt.Instance {
			c.restore(topic, m.Payload())
		}
		if m.Retained() {
			mu.Lock()
			defer mu.Unlock()
			seen[topic] = instance
		}
	}, c.base+"alarm/#")
	if err != nil {
		if ctx.Err() == nil && s.alive() {
			c.opt.Log.Info("retained alarms of an earlier run cannot be tidied up", "err", err)
		}
		return
	}
	waits := []time.Duration{sweepAfter, legacyAfter - sweepAfter}
	if c.opt.Instance == "" {
		waits = waits[:1]
	}
	for i, wait := range waits {
		select {
		case <-ctx.Done():
			return
		case <-s.lost:
			return
		case <-time.After(wait):
		}
		mu.Lock()
		c.tidy(seen, i > 0)
		mu.Unlock()
		c.poke()
	}
}

// tidy removes what is this board's of what was seen, by topic, and does not exist;
// after long also what bears no instance or that of the board before.
func (c *Client) tidy(seen map[string]string, long bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for topic, instance := range seen {
		mine := instance == c.opt.Instance || long && (instance == "" || instance == c.opt.Former) && !c.other
		if _, known := c.docs[topic]; mine && !known {
			c.docs[topic], c.dirty[topic] = nil, true
			delete(seen, topic)
		}
	}
}

// restore publishes an alarm again that somebody else removed or made milder.
func (c *Client) restore(topic string, theirs []byte) {
	c.mu.Lock()
	graver := gravity(c.docs[topic]) > gravity(theirs)
	if graver {
		c.dirty[topic] = true
	}
	c.mu.Unlock()
	if graver {
		c.poke()
	}
}
