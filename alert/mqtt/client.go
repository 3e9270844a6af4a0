package mqtt

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"

	"dewline/alert"
	"dewline/rules"

	paho "github.com/eclipse/paho.mqtt.golang"
)

const (
	online  = "online"
	offline = "offline"
)

// Options are what a Client works by.
type Options struct {
	Room   string // id, in topics
	Broker string // "tcp://host:1883", "ssl://host:8883"
	// ClientID defaults to "dewline-", the room and the instance. It stays the same so that a
	// new connection takes over from a dead one at once, whose will would
	// otherwise call a living room offline later.
	ClientID string
	Username string
	Password string
	TLS      *tls.Config // nil for the system's roots
	// Keys are the command keys, by person; those that are shorter than
	// KeyAtLeast are not to be given.
	Keys map[string][]byte
	// Token lets in a command that is not signed, as far as TokenFor says; empty
	// none.
	Token string
	// TokenFor is TokenAnswers, TokenAll or TokenNothing. Empty takes answers where
	// there is no key, else nothing.
	TokenFor string
	// Now is the wall time, and whether it is known to be right; nil for the
	// board's, believed.
	Now func() (t time.Time, set bool)
	// Instance tells boards with one room id apart; it stands on status/board and in
	// the client id. Empty for none.
	Instance string
	// Former is the board's instance before, whose retained alarms are its own unless
	// that board shows itself.
	Former string
	// OnCommand answers a command whose form and sender are right. It runs on
	// the client's own goroutine, never on paho's, one command at a time. The
	// Command that it gets has its Token blanked.
	OnCommand func(context.Context, alert.Command) alert.Reply
	// OnRefused is told of a command refused for its form or sender, for the
	// journal, and of few where there are many; nil for nobody.
	OnRefused func(c alert.Command, why string)
	// OnOther is told of the instance of another board with the same room id, each
	// time that it shows itself. It must not block for long.
	OnOther func(instance string)
	// OnWatched is told that a sentinel watches the room: live now, or when the
	// broker kept its word. An empty one says that none does.
	OnWatched func(sentinel string, live bool)
	// OnState is told when the connection comes up, after the retained status
	// is out, with nil, and why there is none: at the start, when it is lost and
	// after each failed attempt. It must not block.
	OnState func(down error)
	// Rebuild throws the connection away when nothing was confirmed for so
	// long although something was sent; 3 min.
	Rebuild   time.Duration
	KeepAlive time.Duration // 30 s
	Log       *slog.Logger
}

// A Client is the room's end of the broker, kept connected for as long as Run
// runs. Its methods are safe for concurrent use.
type Client struct {
	opt      Options
	base     string // "dewline/<room>/"
	kick     chan struct{}
	requests chan request
	door     *door
	refusals refusals

	mu         sync.Mutex // guards what follows
	session    *session   // nil while not connected
	why        error      // of not being connected
	docs       map[string][]byte
	dirty      map[string]bool // topics to publish
	heartbeat  []byte
	other      bool      // another board with this room's id was seen
	unanswered time.Time // first sending that was not confirmed since one that was
}

// New returns a Client; it does not connect. It fails on options that can
// never work.
func New(o Options) (*Client, error) {
	if strings.ContainsAny(o.Room, "/+#") || o.Room == "" {
		return nil, fmt.Errorf("room id %q cannot be part of a topic; use a-z, 0-9 and hyphens", o.Room)
	}
	id := "dewline-" + o.Room
	if o.Instance != "" {
		id += "-" + o.Instance
	}
	if err := o.complete(id); err != nil {
		return nil, err
	}
	return &Client{
		opt: o, base: "dewline/" + o.Room + "/", why: errNotConnected,
		kick: make(chan struct{}, 1), requests: make(chan request, 16), door: newDoor(&o),
		docs: make(map[string][]byte), dirty: make(map[string]bool),
	}, nil
}

// complete checks o and fills in the defaults.
func (o *Options) complete(id string) error {
	u, err := url.Parse(o.Broker)
	if err != nil {
		return fmt.Errorf("broker address: %w", err)
	}
	if _, port := scheme(u.Scheme); port == "" || u.Hostname() == "" {
		return fmt.Errorf("broker address %q is not of the form tcp://host:1883 or ssl://host:8883", o.Broker)
	}
	if o.ClientID == "" {
		o.ClientID = id
	}
	if len(o.ClientID) > 23 { // the most that every broker accepts (MQTT 3.1.1, 3.1.3.1)
		sum := sha256.Sum256([]byte(o.ClientID))
		o.ClientID = "dewline-" + hex.EncodeToString(sum[:7])
	}
	if o.Rebuild <= 0 {
		o.Rebuild = 3 * time.Minute
	}
	if o.KeepAlive <= 0 {
		o.KeepAlive = 30 * time.Second
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return nil
}

// Send publishes a notice at QoS 1, as JSON and as plain text, and returns nil once the broker has
// confirmed it over an unbroken connection. It implements alert.Channel.
func (c *Client) Send(ctx context.Context, d alert.Delivery) error {
	payload, err := json.Marshal(d.Message)
	if err != nil {
		return alert.Permanent(fmt.Errorf("encode notice %s: %w", d.NoticeID, err))
	}
	if err := c.publish(ctx, "notice", false, payload); err != nil {
		return err
	}
	return c.publish(ctx, "say", false, []byte(plain(&d.Message)))
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
func (c *Client) Alarm(k rules.Key, doc []byte) {
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

// Connected reports whether the connection is open now.
func (c *Client) Connected() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.session != nil && c.session.alive()
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

// topic returns the whole of a topic.
func (c *Client) topic(t string) string {
	if other, ok := strings.CutPrefix(t, otherRoom); ok {
		return "dewline/" + other
	}
	return c.base + t
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

// Heartbeat publishes a sign of life, if connected. It returns at once.
func (c *Client) Heartbeat(h alert.Heartbeat) {
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

// Run connects and stays connected until ctx ends, then publishes "offline"
// and disconnects. A broker that is away is no error.
func (c *Client) Run(ctx context.Context) error {
	wait, logged := firstRetry, false
	c.state(errNotYet) // a broker that is never reached never goes down
	for {
		s, err := connect(ctx, &c.opt, c.base+"status")
		if err == nil {
			began := time.Now()
			logged = false
			err = c.serve(ctx, s)
			if time.Since(began) >= steadyAfter {
				wait = firstRetry
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		c.down(err)
		if !logged {
			c.opt.Log.Warn("no connection to the broker; trying again", "broker", c.opt.Broker, "err", err)
			logged = true
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, lastRetry)
	}
}

// serve works on one session until it is lost or ctx ends.
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

// contradict publishes "online" again when the status says something else.
func (c *Client) contradict(_ paho.Client, m paho.Message) {
	if string(m.Payload()) != online {
		c.set("status", []byte(online))
	}
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

// down takes the session away from the senders.
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

// publishDoc publishes a topic's newest document.
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
