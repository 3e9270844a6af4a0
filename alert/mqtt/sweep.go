package mqtt

import (
	"context"
	"encoding/json"
	"strings"
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

// A marked is what alarms and heartbeats of any board say of themselves.
type marked struct {
	Instance string      `json:"instance"`
	Run      string      `json:"run"` // of a heartbeat
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

// speaks tells which board, and which start of it, says something; false for junk, which
// is no board.
func speaks(m paho.Message) (said marked, ok bool) {
	said, ok = markedIn(m.Payload()), json.Valid(m.Payload())
	if strings.HasSuffix(m.Topic(), boardTopic) {
		said.Instance, said.Run, ok = strings.Cut(string(m.Payload()), " ")
	}
	graphic := !strings.ContainsFunc(said.Instance, func(r rune) bool { return !unicode.IsGraphic(r) })
	return said, ok && graphic && len(m.Payload()) <= maxCommand && len(said.Instance) <= maxInstance
}

// noticeOther looks for another board with this room's id. One that bears this one's
// instance was started from a copy of its card: the broker took both for one client, and
// each cuts off the other until one goes by another name.
func (c *Client) noticeOther(_ paho.Client, m paho.Message) {
	said, ok := speaks(m)
	instance := said.Instance
	copied := instance == c.opt.Instance && said.Run != "" && !strings.HasPrefix(said.Run, c.door.run)
	if !ok || instance == c.opt.Instance && !copied {
		return
	}
	c.mu.Lock()
	c.copied = c.copied || copied && c.shown // else it may be of an earlier start
	c.other = c.other || !m.Retained()
	c.mu.Unlock()
	if m.Retained() || c.opt.OnOther == nil {
		return
	}
	switch {
	case copied:
		instance = alarm.CopiedBoard
	case instance == "":
		instance = alarm.OlderBoard
	}
	c.opt.OnOther(instance)
}

// apart gives a client whose card was copied a name of its own.
func (c *Client) apart() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if id := c.opt.ClientID + "-" + c.door.run; c.copied && !c.renamed {
		c.opt.ClientID, c.renamed = short(id), true
		c.opt.Log.Warn("another board works with a copy of this card; this one goes by a name of its own on the broker", "as", c.opt.ClientID)
	}
}

// retains takes in a retained alarm. Where another board with this room's id removes
// one that is open here, or shows it as milder than it is here, it is published again.
func (c *Client) retains(_ paho.Client, m paho.Message) {
	topic, instance := strings.TrimPrefix(m.Topic(), c.base), markedIn(m.Payload()).Instance
	c.mu.Lock()
	own := instance == c.opt.Instance && len(m.Payload()) > 0 && !c.copied
	if m.Retained() {
		c.seen[topic] = instance
	}
	c.mu.Unlock()
	if !own { // what this board said comes back to it late
		c.restore(topic, m.Payload())
	}
}

// sweep removes retained alarms of this board that no longer exist: those that
// ended while the daemon or the broker was away, and those of enclosures since
// removed. A phone would show them for ever.
func (c *Client) sweep(ctx context.Context, s *session) {
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
		c.tidy(i > 0)
		c.poke()
	}
}

// tidy removes what is this board's of what was seen and does not exist; after long
// also what bears no instance or that of the board before.
func (c *Client) tidy(long bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for topic, instance := range c.seen {
		mine := instance == c.opt.Instance || long && (instance == "" || instance == c.opt.Former) && !c.other
		if _, known := c.docs[topic]; mine && !known {
			c.docs[topic], c.dirty[topic] = nil, true
			delete(c.seen, topic)
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
