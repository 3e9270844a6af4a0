package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/mqtt"
	"dewline/alert/webhook"
	"dewline/alert/wire"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// channels are the ways out of the daemon. A reload changes them.
type channels struct {
	log   *slog.Logger
	beats chan alert.Heartbeat
	hooks hooks
	// swap puts other channels in use; nil where they were given.
	swap func(next *channels, keepMQTT bool)

	mu sync.Mutex // guards what follows
	ways
	// stopMQTT ends the client's goroutine and returns when it has; stopWatch ends
	// the looking for the other sides.
	stopMQTT, stopWatch func()
}

// Ways are what a configuration makes of the channels.
type ways struct {
	byName  map[string]alert.Channel
	mqtt    *mqtt.Client  // nil for none
	secrets string        // all that mqtt was built with
	mail    *mail.Sender  // nil for none
	beat    *webhook.Beat // nil for none
	// leftOut says what does not work, for want of a secret, although the channels do.
	leftOut []alarm.Fact
	faults  []WayFault // of what cannot work
}

func (c *channels) inUse() ways {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.ways
}

// broker returns the MQTT client; nil for none.
func (c *channels) broker() *mqtt.Client { return c.inUse().mqtt }

// keepsBroker reports whether the connection to the broker is to stay when next,
// of the same settings, comes in the place of c: its secrets are what they were,
// or cannot be read any more.
func (c *channels) keepsBroker(next *channels) bool {
	now := c.inUse()
	return now.mqtt != nil && (next.mqtt == nil || now.secrets == next.secrets)
}

// A brokenChannel can never work, so that what should leave by it is seen to stall.
type brokenChannel struct{ err error }

// Send fails with the reason.
func (b brokenChannel) Send(context.Context, alert.Delivery) error { return alert.Permanent(b.err) }

// hooks are whom the channels tell of what comes the other way.
type hooks struct {
	mqtt  mqtt.Options                             // of the board, and what its client tells; the rest is configured
	state func(channel string, down error)         // nil once it is connected; nobody where channels were given
	peer  func(subject string, notAfter time.Time) // a certificate that was shown
}

func (c *channels) run(ctx context.Context, done *sync.WaitGroup) {
	c.runMQTT(ctx, done, c.mqtt, func() {})
	if c.beats != nil {
		done.Go(func() { c.runBeats(ctx) })
	}
	c.watch(ctx, done)
}

// watch tells which channels can never work, and looks for the other sides of
// the rest until ctx ends or the channels are exchanged.
func (c *channels) watch(ctx context.Context, done *sync.WaitGroup) {
	if c.hooks.state == nil {
		return
	}
	ctx, cancel := context.WithCancel(ctx)
	c.mu.Lock()
	c.stopWatch = cancel
	c.mu.Unlock()
	for name, ch := range c.byName {
		switch ch := ch.(type) {
		case brokenChannel:
			done.Go(func() { c.hooks.state(name, ch.err) })
		case reacher:
			done.Go(func() { reach(ctx, ch, func(down error) { c.hooks.state(name, down) }) })
		}
	}
}

// runMQTT starts a client when the one before has ended: both go by one name.
func (c *channels) runMQTT(ctx context.Context, done *sync.WaitGroup, client *mqtt.Client, before func()) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	done.Go(func() {
		defer close(ended)
		before()
		if client == nil || ctx.Err() != nil {
			return
		}
		if err := client.Run(ctx); err != nil {
			c.log.Error("MQTT ended", "err", err)
		}
	})
	c.mu.Lock()
	c.stopMQTT = func() { cancel(); <-ended }
	c.mu.Unlock()
}

// exchange puts what next was built of in the place of what is in use, but keeps
// the connection to the broker where keep is set.
func (c *channels) exchange(ctx context.Context, done *sync.WaitGroup, next *channels, keep bool) {
	c.mu.Lock()
	old, stop := c.mqtt, c.stopMQTT
	if keep {
		next.mqtt, next.byName["mqtt"], next.secrets = old, old, c.secrets
	}
	c.ways = next.ways
	stopWatch := c.stopWatch
	c.mu.Unlock()
	if stopWatch != nil {
		stopWatch()
	}
	c.watch(ctx, done)
	if !keep {
		c.runMQTT(ctx, done, next.mqtt, stop)
	}
}

// alarm publishes the retained document of an alarm; nil removes it.
func (c *channels) alarm(now sensors.Instant, k alarm.Key, v *rules.AlarmView) {
	client := c.broker()
	if client == nil {
		return
	}
	if v == nil {
		client.Alarm(k, nil)
		return
	}
	shown := wire.AlarmOf(v, now)
	shown.Instance = c.hooks.mqtt.Instance
	doc, err := json.Marshal(shown)
	if err != nil {
		c.log.Error("an alarm cannot be shown", "alarm", k.Alarm, "subject", k.Subject, "err", err)
		return
	}
	client.Alarm(k, doc)
}

func (c *channels) heartbeat(h alert.Heartbeat) {
	if client := c.broker(); client != nil {
		h.Instance = c.hooks.mqtt.Instance
		client.Heartbeat(h)
	}
}

func (c *channels) outside(h alert.Heartbeat) {
	if c.inUse().beat == nil {
		return
	}
	select {
	case c.beats <- h:
	default: // the one before is still on its way
	}
}

// runBeats logs a failure when it begins and when it ends.
func (c *channels) runBeats(ctx context.Context) {
	failing := false
	for {
		select {
		case <-ctx.Done():
			return
		case h := <-c.beats:
			beat := c.inUse().beat
			if beat == nil {
				continue
			}
			postCtx, cancel := context.WithTimeout(ctx, 20*time.Second)
			err := beat.Post(postCtx, h)
			cancel()
			if (err != nil) != failing && !errors.Is(err, context.Canceled) {
				failing = err != nil
				c.log.Warn("outside heartbeat", "working", err == nil, "err", err)
			}
		}
	}
}

// A reacher is a channel without a connection of its own, whose other side can
// be looked for before there is anything to send.
type reacher interface {
	// Reach returns nil once the other side has answered.
	Reach(ctx context.Context) error
}

// The other side is looked for at the start and every hour. One that is not
// found is looked for more often first, and then less: a server may lock out
// who comes with a wrong password again and again.
const (
	reachEvery   = time.Hour
	reachAgain   = time.Minute
	reachTimeout = 30 * time.Second
)

// reach tells whether a channel's other side is found, until ctx ends.
func reach(ctx context.Context, r reacher, tell func(down error)) {
	again := reachAgain
	for {
		looking, cancel := context.WithTimeout(ctx, reachTimeout)
		err := r.Reach(looking)
		cancel()
		if ctx.Err() != nil {
			return
		}
		tell(err)
		wait := reachEvery
		if err != nil {
			wait, again = again, min(2*again, reachEvery)
		} else {
			again = reachAgain
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}

// A WayFault is something about a way out of dewline that would only show when
// a notice should leave by it.
type WayFault struct {
	Section string // of the configuration, such as "webhook push"
	Note    bool   // worth knowing, but it works
	What    string
}

// The certificates that dewline depends on, as subjects of certificate-due.
const (
	certPage         = "page"
	certBroker       = "broker" // the broker's own, seen when connecting
	certClient       = "broker-client"
	certBrokerIssuer = "broker-authority"
	certMail         = "mail" // the mail server's own, seen when sending
	certMailIssuer   = "mail-authority"
)
