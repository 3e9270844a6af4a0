package mqtt

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"dewline/alert"
	"dewline/rules/alarm"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Run connects and stays connected until ctx ends, then publishes "offline"
// and disconnects. A broker that is away is no error.
func (c *Client) Run(ctx context.Context) error {
	c.state(errNotYet) // a broker that is never reached never goes down
	c.wishes = c.listensFor()
	c.opt.reconnect(ctx, func() (up bool, err error) {
		c.apart()
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
	began := time.Now()
	if err := c.birth(work, s); err != nil {
		if ctx.Err() != nil { // "online" may have been said
			return c.farewell(s)
		}
		return err
	}
	wg.Go(func() { c.answer(work) })
	wg.Go(func() { c.sweep(work, s) })
	again := time.NewTicker(c.opt.AskAgain)
	defer again.Stop()
	for {
		c.flush(work)
		select {
		case <-ctx.Done():
			return c.farewell(s)
		case <-s.lost.Done():
			return context.Cause(s.lost)
		case <-c.kick:
		case <-again.C:
			_ = c.ask(work, s, time.Since(began)) // then the connection is lost
		case <-time.After(5 * time.Second): // what failed is tried again
		}
	}
}

// birth publishes "online", listens and makes the session public.
func (c *Client) birth(ctx context.Context, s *session) error {
	limited, cancel := context.WithTimeout(ctx, confirmTime)
	defer cancel()
	if err := s.publish(limited, c.base+"status", true, []byte(online)); err != nil {
		return err
	}
	c.mu.Lock()
	c.seen = make(map[string]string)
	c.mu.Unlock()
	for _, w := range c.wishes {
		w.granted = false
	}
	if err := c.ask(ctx, s, 0); err != nil {
		return err
	}
	c.mu.Lock()
	c.session, c.unanswered, c.shown = s, time.Time{}, c.opt.Instance != ""
	for topic := range c.docs { // the broker may have lost what it retained
		c.dirty[topic] = true
	}
	c.mu.Unlock()
	c.showBoard()
	c.opt.Log.Info("connected to the broker", "broker", c.opt.Broker)
	c.state(nil)
	return nil
}

func (c *Client) listensFor() []*wish {
	commands := slog.LevelError
	if c.opt.Token == "" && len(c.opt.Keys) == 0 { // nobody may send any
		commands = slog.LevelInfo
	}
	all := []*wish{
		{level: commands, without: "commands over MQTT do not work", topics: []string{"command"}, handle: c.receive},
		// Somebody else's word, or the late will of an earlier connection, must not
		// stand while the room lives.
		{without: "the status topic cannot be guarded", topics: []string{"status"}, handle: c.contradict},
		{without: "retained alarms of an earlier run cannot be tidied up", topics: []string{"alarm/#"}, handle: c.retains},
	}
	if c.opt.Instance != "" {
		all = append(all, &wish{without: "another board with this room's id would not be noticed", topics: []string{"heartbeat", boardTopic}, handle: c.noticeOther})
	}
	if c.opt.OnWatched != nil {
		all = append(all, &wish{without: "a sentinel that falls silent would not be missed", topics: []string{"watched"}, handle: c.watched})
	}
	if len(c.opt.Watch) > 0 {
		w := &wish{level: slog.LevelError, without: "no room can be watched", handle: c.sign, begins: c.opt.OnSight}
		for _, room := range c.opt.Watch {
			w.topics = append(w.topics, otherRoom+room+"/status", otherRoom+room+"/heartbeat")
		}
		all = append(all, w)
	}
	for _, w := range all {
		for i, topic := range w.topics {
			w.topics[i] = c.topic(topic)
		}
	}
	return all
}

// ask asks for what is not granted yet over a connection that is up for so long. A broker
// may end the connection for it (MQTT 3.1.1, section 4.8): what did so repeatedly is
// asked for later and later, and the room warns meanwhile. It fails where the connection
// ended.
func (c *Client) ask(ctx context.Context, s *session, up time.Duration) error {
	defer c.tellMissing()
	for _, w := range c.wishes {
		if w.granted || w.ended > 1 && up < min(c.opt.AskAgain<<min(w.ended-2, 10), time.Hour) {
			continue
		}
		limited, cancel := context.WithTimeout(ctx, confirmTime)
		err := s.subscribe(limited, w.handle, w.topics...)
		cancel()
		w.why = err
		if w.granted = err == nil; w.granted == w.told && ctx.Err() == nil {
			if w.told = !w.granted; w.told {
				c.opt.Log.Log(ctx, w.level, w.without, "err", err)
			} else {
				c.opt.Log.Info("the broker grants it now", "topics", w.topics)
			}
		}
		if err == nil {
			if w.ended = 0; w.begins != nil {
				w.begins()
			}
		} else if !s.alive() {
			w.ended++
			return err
		}
	}
	return nil
}

// tellMissing says what is not granted, where that is news.
func (c *Client) tellMissing() {
	var what []string
	grave := false
	for _, w := range c.wishes {
		if w.told {
			what, grave = append(what, fmt.Sprintf("%s: %v", w.without, w.why)), grave || w.level >= slog.LevelError
		}
	}
	if all := strings.Join(what, "\n"); c.opt.OnMissing != nil && (c.missed == nil || *c.missed != all) {
		c.missed = &all
		c.opt.OnMissing(what, grave)
	}
}

func (c *Client) contradict(_ paho.Client, m paho.Message) {
	if string(m.Payload()) != online {
		c.set("status", []byte(online))
	}
}

func (c *Client) watched(_ paho.Client, m paho.Message) {
	var w watching
	if len(m.Payload()) > 0 && (len(m.Payload()) > maxCommand || json.Unmarshal(m.Payload(), &w) != nil || w.Sentinel == "" || len(w.Sentinel) > alert.MaxWord ||
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
		case <-s.lost.Done():
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

func (c *Client) sign(_ paho.Client, m paho.Message) {
	if s, ok := parseSign(m.Topic(), m.Payload(), m.Retained()); ok {
		c.opt.OnSign(s)
	}
}

// parseSign reads one message; anything that is no sign of life is not ok.
func parseSign(topic string, payload []byte, retained bool) (Sign, bool) {
	part := strings.Split(topic, "/")
	if len(part) != 3 || part[0] != "dewline" || len(payload) > maxCommand {
		return Sign{}, false
	}
	s := Sign{Room: part[1], Retained: retained}
	switch {
	case part[2] == "status" && (string(payload) == online || string(payload) == offline):
		s.Status = string(payload)
		return s, true
	case part[2] == "heartbeat" && !retained:
		var h alert.Heartbeat
		if json.Unmarshal(payload, &h) != nil {
			return Sign{}, false
		}
		h.Room = part[1] // the topic says which room speaks
		s.Heartbeat = &h
		return s, true
	}
	return Sign{}, false
}
