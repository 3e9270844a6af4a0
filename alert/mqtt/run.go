package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Run connects and stays connected until ctx ends, then publishes "offline"
// and disconnects. A broker that is away is no error.
func (c *Client) Run(ctx context.Context) error {
	c.state(errNotYet) // a broker that is never reached never goes down
	c.opt.reconnect(ctx, func() (up bool, err error) {
		s, err := connect(ctx, &c.opt, c.base+"status")
		if up = err == nil; up {
			err = c.serve(ctx, s)
		}
		if ctx.Err() == nil {
			c.down(err)
		}
		return up, err
	})
	return nil
}

func (c *Client) serve(ctx context.Context, s *session) error {
	defer s.client.Disconnect(250)
	work, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	if err := c.birth(work, s); err != nil {
		return err
	}
	wg.Go(func() { c.answer(work) })
	wg.Go(func() { c.sweep(work, s) })
	for {
		c.flush(work)
		select {
		case <-ctx.Done():
			return c.farewell(s)
		case <-s.lost:
			return s.cause
		case <-c.kick:
		case <-time.After(5 * time.Second): // what failed is tried again
		}
	}
}

// birth publishes "online", listens for commands and makes the session public.
func (c *Client) birth(ctx context.Context, s *session) error {
	ctx, cancel := context.WithTimeout(ctx, confirmTime)
	defer cancel()
	if err := s.publish(ctx, c.base+"status", true, []byte(online)); err != nil {
		return err
	}
	if err := s.subscribe(ctx, c.receive, c.base+"command"); err != nil {
		// Without commands the room still warns, which matters more.
		c.opt.Log.Error("commands over MQTT do not work", "err", err)
		if !s.alive() {
			return err
		}
	}
	// Somebody else's word, or the late will of an earlier connection, must not
	// stand while the room lives.
	if err := s.subscribe(ctx, c.contradict, c.base+"status"); err != nil {
		c.opt.Log.Info("the status topic cannot be guarded", "err", err)
	}
	if c.opt.Instance != "" {
		if err := s.subscribe(ctx, c.noticeOther, c.base+"heartbeat", c.base+boardTopic); err != nil {
			c.opt.Log.Info("another board with this room's id would not be noticed", "err", err)
		}
	}
	if c.opt.OnWatched != nil {
		if err := s.subscribe(ctx, c.watched, c.base+"watched"); err != nil {
			c.opt.Log.Info("a sentinel that falls silent would not be missed", "err", err)
		}
	}
	c.mu.Lock()
	c.session, c.unanswered = s, time.Time{}
	for topic := range c.docs { // the broker may have lost what it retained
		c.dirty[topic] = true
	}
	c.mu.Unlock()
	c.showBoard()
	c.opt.Log.Info("connected to the broker", "broker", c.opt.Broker)
	c.state(nil)
	return nil
}

func (c *Client) contradict(_ paho.Client, m paho.Message) {
	if string(m.Payload()) != online {
		c.set("status", []byte(online))
	}
}

// watched takes in a sentinel's word.
func (c *Client) watched(_ paho.Client, m paho.Message) {
	var w watching
	if len(m.Payload()) > 0 && (len(m.Payload()) > maxCommand || json.Unmarshal(m.Payload(), &w) != nil || w.Sentinel == "" || len(w.Sentinel) > maxWord ||
		strings.ContainsFunc(w.Sentinel, unicode.IsControl)) {
		return
	}
	c.opt.OnWatched(w.Sentinel, !m.Retained())
}

// farewell says "offline" before a clean end, which cancels the will.
func (c *Client) farewell(s *session) error {
	c.down(errors.New("stopped"))
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if err := s.publish(ctx, c.base+"status", true, []byte(offline)); err != nil {
		return fmt.Errorf("say goodbye: %w", err)
	}
	return nil
}

func (c *Client) down(why error) {
	why = fmt.Errorf("%w: %w", errNotConnected, why)
	c.mu.Lock()
	c.session, c.why = nil, why
	c.mu.Unlock()
	c.state(why)
}

func (c *Client) state(down error) {
	if c.opt.OnState != nil {
		c.opt.OnState(down)
	}
}

// flush publishes what changed: the heartbeat, then documents, alarms before
// climate, one in flight so that none overtakes a newer one.
func (c *Client) flush(ctx context.Context) {
	c.mu.Lock()
	beat := c.heartbeat
	c.heartbeat = nil
	topics := make([]string, 0, len(c.dirty))
	for t := range c.dirty {
		topics = append(topics, t)
	}
	c.mu.Unlock()
	if beat != nil {
		if err := c.publish(ctx, "heartbeat", false, beat); err != nil {
			return // the next beat says it better
		}
	}
	slices.Sort(topics) // "alarm/" comes before "enclosure/"
	for _, t := range topics {
		if c.publishDoc(ctx, t) != nil {
			return
		}
	}
}

func (c *Client) publishDoc(ctx context.Context, topic string) error {
	c.mu.Lock()
	doc := c.docs[topic]
	delete(c.dirty, topic)
	c.mu.Unlock()
	err := c.publish(ctx, topic, true, doc)
	c.mu.Lock()
	defer c.mu.Unlock()
	if err != nil {
		c.dirty[topic] = true
		return err
	}
	if len(c.docs[topic]) == 0 && !c.dirty[topic] {
		delete(c.docs, topic) // removed for good
	}
	return nil
}
