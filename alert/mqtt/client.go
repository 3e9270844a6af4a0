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
	"cmp"
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

	"dewline/alert"
	"dewline/rules/alarm"
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
	Token    string
	TokenFor string // TokenAnswers, the default, TokenAll or TokenNothing
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
	// Watch names rooms of which OnSign is told each sign of life, on goroutines of the
	// library; OnSight is told when the broker begins to pass them, which lasts until
	// OnState says that the connection is gone.
	Watch   []string
	OnSign  func(Sign)
	OnSight func()
	// OnMissing is told what the broker does not let the room hear, and whether that is
	// grave: at the first connection and whenever it changes; nil for nobody.
	OnMissing func(what []string, grave bool)
	// OnState is told when the connection comes up, after the retained status
	// is out, with nil, and why there is none: at the start, when it is lost and
	// after each failed attempt. It must not block.
	OnState func(down error)
	// Rebuild throws the connection away when nothing was confirmed for so
	// long although something was sent; 3 min.
	Rebuild   time.Duration
	KeepAlive time.Duration // 30 s
	AskAgain  time.Duration // for a subscription that the broker refuses; 30 s
	Log       *slog.Logger
}

func (o *Options) complete() error {
	u, err := url.Parse(o.Broker)
	if err != nil {
		return fmt.Errorf("broker address: %w", err)
	}
	if _, port := scheme(u.Scheme); port == "" || u.Hostname() == "" {
		return fmt.Errorf("broker address %q is not of the form tcp://host:1883 or ssl://host:8883", o.Broker)
	}
	id := cmp.Or(o.ClientID, strings.TrimSuffix("dewline-"+o.Room+"-"+o.Instance, "-"))
	o.ClientID = short(id)
	o.Rebuild = cmp.Or(o.Rebuild, 3*time.Minute)
	o.KeepAlive, o.AskAgain = cmp.Or(o.KeepAlive, 30*time.Second), cmp.Or(o.AskAgain, 30*time.Second)
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	return nil
}

// short cuts a client id down to what every broker accepts (MQTT 3.1.1, 3.1.3.1).
func short(id string) string {
	if len(id) <= 23 {
		return id
	}
	sum := sha256.Sum256([]byte(id))
	return "dewline-" + hex.EncodeToString(sum[:7])
}

const (
	online  = "online"
	offline = "offline"
)

// scheme tells what a broker URL's scheme means; port is empty for unknown.
func scheme(s string) (secure bool, port string) {
	switch s {
	case "tcp", "mqtt":
		return false, "1883"
	case "ssl", "tls", "mqtts":
		return true, "8883"
	}
	return false, ""
}
