// Package mqtt is the channel over an MQTT 3.1.1 broker: notices, retained
// climate and alarm documents, status with last will, heartbeat, and commands
// with their replies, all under dewline/<room>/. A sentinel's client listens to the
// signs of life of other rooms too.
//
// Every connection is a new client, so that nothing older than what is true
// now can be re-sent by the library, and nothing is kept on disk: what must
// not be lost is in the Desk's documents. A message counts as taken over only
// when the broker confirmed it over a connection that did not break meanwhile.
//
// Nothing here decides what is told; nothing here can block the rules.
package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A Client is the room's end of the broker, kept connected for as long as Run
// runs. Its methods are safe for concurrent use.
type Client struct {
	opt      Options
	base     string // "dewline/<room>/"
	kick     chan struct{}
	requests chan request
	door     *door
	refusals refusals
	wishes   []*wish // only Run's goroutine touches them
	missed   *string // what OnMissing was told last; nil for nothing yet

	mu         sync.Mutex // guards what follows
	session    *session   // nil while not connected
	why        error      // of not being connected
	docs       map[string][]byte
	dirty      map[string]bool   // topics to publish
	seen       map[string]string // retained alarms of this connection: whose, by topic
	heartbeat  []byte
	other      bool           // another board with this room's id was seen
	shown      bool           // this start stood on status/board
	copied     bool           // a board with a copy of this card was seen
	renamed    bool           // and this one goes by another name since
	unanswered time.Time      // first sending that was not confirmed since one that was
	breaks     map[string]int // notices at which the connection ended, so many times in a row
}

// New returns a Client; it does not connect. It fails on options that can
// never work.
func New(o Options) (*Client, error) {
	if strings.ContainsAny(o.Room, "/+#") || o.Room == "" {
		return nil, fmt.Errorf("room id %q cannot be part of a topic; use a-z, 0-9 and hyphens", o.Room)
	}
	if err := o.complete(); err != nil {
		return nil, err
	}
	return &Client{
		opt: o, base: "dewline/" + o.Room + "/", why: errNotConnected,
		kick: make(chan struct{}, 1), requests: make(chan request, 64), door: newDoor(&o),
		docs: make(map[string][]byte), dirty: make(map[string]bool), breaks: make(map[string]int),
	}, nil
}

// Send publishes a notice at QoS 1, as JSON and as plain text, and returns nil once the broker has
// confirmed it over an unbroken connection. It implements alert.Channel.
func (c *Client) Send(ctx context.Context, d alert.Delivery) error {
	payload, err := json.Marshal(d.Message)
	if err != nil {
		return alert.Permanent(fmt.Errorf("encode notice %s: %w", d.NoticeID, err))
	}
	c.mu.Lock()
	s, behind := c.session, c.breaks[d.ID] > 1
	c.mu.Unlock()
	up := s != nil && s.alive()
	if up && behind && time.Since(s.began) < othersFirst {
		return errBreaks
	}
	if err = c.publish(ctx, "notice", false, payload); err == nil {
		err = c.publish(ctx, "say", false, []byte(plain(&d.Message)))
	}
	if up {
		c.blame(s, d.ID, err)
	}
	return err
}

// errBreaks lets other notices go first at each connection: a broker ends it, for one that
// is too long for it, before the others leave.
var errBreaks = errors.New("the broker ended the connection for this notice; others go first")

// othersFirst is short, since a notice that is sound may have been sent twice over a poor
// link: one that comes and goes must still carry it.
const othersFirst = 2 * time.Second

// mostBreaks bounds what is remembered of notices that are over.
const mostBreaks = 64

// blame notes whether a connection ended when a notice was sent over it.
func (c *Client) blame(s *session, id string, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case err == nil:
		delete(c.breaks, id)
	case s.alive():
	case len(c.breaks) >= mostBreaks:
		clear(c.breaks)
	default:
		c.breaks[id]++
	}
}

// plain is a notice for a phone that shows text as it comes: title, text and the
// link to answer by.
func plain(m *alert.Message) string {
	return strings.TrimRight(strings.Join([]string{m.Title, m.Text, m.Ack}, "\n"), "\n")
}

// publish sends over the present session and keeps account of confirmations.
func (c *Client) publish(ctx context.Context, topic string, retained bool, payload []byte) error {
	c.mu.Lock()
	s, why := c.session, c.why
	if s != nil && c.unanswered.IsZero() {
		c.unanswered = time.Now()
	}
	c.mu.Unlock()
	if s == nil {
		return why
	}
	ctx, cancel := context.WithTimeout(ctx, confirmTime)
	defer cancel()
	err := s.publish(ctx, c.topic(topic), retained, payload)
	c.mu.Lock()
	defer c.mu.Unlock()
	if err == nil {
		c.unanswered = time.Time{}
		return nil
	}
	if since := c.unanswered; !since.IsZero() && time.Since(since) >= c.opt.Rebuild {
		s.end(fmt.Errorf("nothing confirmed for %v", c.opt.Rebuild))
	}
	return err
}

// Climate sets the retained document of an enclosure's climate. It returns at
// once; only the newest document is published.
func (c *Client) Climate(enclosure string, doc []byte) {
	c.set("enclosure/"+segment(enclosure)+"/climate", doc)
}

// Alarm sets the retained document of an alarm, nil once it is NORM, which
// removes it. What this run did not publish is left to the sweep, which knows
// whose it is. It returns at once.
func (c *Client) Alarm(k alarm.Key, doc []byte) {
	topic := "alarm/" + segment(string(k.Alarm)) + "/" + segment(k.Subject)
	c.mu.Lock()
	_, mine := c.docs[topic]
	c.mu.Unlock()
	if mine || len(doc) > 0 {
		c.set(topic, doc)
	}
}

// set replaces the retained document of a topic; empty removes it.
func (c *Client) set(topic string, doc []byte) {
	c.mu.Lock()
	c.docs[topic] = slices.Clone(doc)
	c.dirty[topic] = true
	c.mu.Unlock()
	c.poke()
}

// A watching is what a sentinel leaves, retained, with each room that it watches,
// so that the room misses it when it falls silent.
type watching struct {
	Sentinel string    `json:"sentinel"`
	Time     time.Time `json:"time"`
}

// Watching tells rooms that this client's room, a sentinel, watches them. It
// returns at once.
func (c *Client) Watching(rooms []string, now time.Time) {
	doc, err := json.Marshal(watching{c.opt.Room, now})
	if err != nil {
		return // plain fields; cannot happen
	}
	for _, r := range rooms {
		c.set(otherRoom+r+"/watched", doc)
	}
}

// otherRoom begins the topics of another room among those of this one.
const otherRoom = "/"

func (c *Client) topic(t string) string {
	if other, ok := strings.CutPrefix(t, otherRoom); ok {
		return "dewline/" + other
	}
	return c.base + t
}

// Heartbeat publishes a sign of life, if connected. It returns at once.
func (c *Client) Heartbeat(h alert.Heartbeat) {
	h.Run = c.door.run
	data, err := json.Marshal(h)
	if err != nil {
		return // plain fields; cannot happen
	}
	c.mu.Lock()
	c.heartbeat = data
	c.mu.Unlock()
	c.poke()
}

func (c *Client) poke() {
	select {
	case c.kick <- struct{}{}:
	default:
	}
}

// segment makes a string safe as one level of a topic.
func segment(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '/' || r == '+' || r == '#' || r < ' ' {
			return '-'
		}
		return r
	}, s)
}

// boardTopic holds, retained, the board's instance and the nonce that a command
// may use.
const boardTopic = "status/board"

// showBoard publishes the board's instance with a nonce that was not used.
func (c *Client) showBoard() {
	if c.opt.Instance == "" {
		return
	}
	doc := []byte(c.opt.Instance + " " + c.door.present())
	c.mu.Lock()
	same := bytes.Equal(doc, c.docs[boardTopic])
	c.mu.Unlock()
	if !same {
		c.set(boardTopic, doc)
	}
}

// A wish is something to listen for, asked for until the broker grants it. Without
// it the room still warns, which matters more.
type wish struct {
	level   slog.Level // of being without it
	without string     // what that means
	topics  []string
	handle  paho.MessageHandler
	begins  func() // told when it is granted; nil for nobody

	granted bool  // on this connection
	told    bool  // that it is not
	why     error // it was not granted last
	ended   int   // connections in a row that ended when it was asked for
}
