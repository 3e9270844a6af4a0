package alert

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"dewline/rules/alarm"
)

// nowhere is the lane for channels that do not exist; its name can be no
// channel's.
const nowhere = ""

// A Courier hands deliveries to channels: one goroutine and one queue for each
// channel, wake before the rest, so that a channel that hangs delays no other.
type Courier struct {
	timeout time.Duration
	report  func(SendResult)
	log     *slog.Logger
	done    sync.WaitGroup // the lanes' goroutines

	mu    sync.Mutex // guards what follows
	lanes map[string]*lane
	ctx   context.Context // of Run; nil before, and after its end
}

// A lane is one channel with its queue.
type lane struct {
	name    string
	channel Channel
	wake    chan struct{} // capacity 1: something was queued
	quit    chan struct{} // closed when another takes its place

	mu    sync.Mutex // guards what follows
	queue []Delivery
	well  bool            // the last sending worked: a steady fault is logged once
	under map[sending]int // how many are under way
}

// A sending is one message to one person: a version, or its repeat.
type sending struct {
	delivery      string
	version, sent int
}

const (
	// patience is for how many times its time a sending goes on that had no answer: a
	// server that is slow takes over in the end what it got.
	patience = 3
	// atOnce is how many tries of one sending may be under way: the first may be
	// lost, and a slow server is not to get a message again and again.
	atOnce = 2
)

var errUnderWay = errors.New("no answer yet to the tries that are under way")

// NewCourier returns a Courier over the channels by name. A Send that takes longer than
// timeout (20 s where zero) is reported as failed and goes on behind the next, for
// patience times as long; where it works in the end, that is reported too. report is
// called from the channels' goroutines and must not block for long.
func NewCourier(channels map[string]Channel, timeout time.Duration, report func(SendResult), log *slog.Logger) *Courier {
	if timeout <= 0 {
		timeout = 20 * time.Second
	}
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	c := &Courier{timeout: timeout, report: report, log: log, lanes: make(map[string]*lane)}
	for name, ch := range channels {
		c.lanes[name] = newLane(name, ch)
	}
	c.lanes[nowhere] = newLane(nowhere, noChannel{})
	return c
}

func newLane(name string, ch Channel) *lane {
	return &lane{name: name, channel: ch, wake: make(chan struct{}, 1), quit: make(chan struct{}), well: true, under: map[sending]int{}}
}

// noChannel refuses everything, which the checks of a configuration prevent.
type noChannel struct{}

func (noChannel) Send(_ context.Context, d Delivery) error {
	return Permanent(fmt.Errorf("no channel %q is set up; add its section to the configuration", d.Channel))
}

// Submit queues deliveries and returns at once, whatever the channels do. A
// delivery takes the place of an older attempt of itself that still waits. One
// for a channel that does not exist is reported as refused.
func (c *Courier) Submit(ds ...Delivery) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, d := range ds {
		l := c.lanes[d.Channel]
		if l == nil {
			l = c.lanes[nowhere]
		}
		l.push(d)
	}
}

// Run sends until ctx ends and returns when every channel's goroutine has.
func (c *Courier) Run(ctx context.Context) {
	c.mu.Lock()
	c.ctx = ctx
	for _, l := range c.lanes {
		c.start(l)
	}
	c.mu.Unlock()
	<-ctx.Done()
	c.mu.Lock()
	c.ctx = nil
	c.mu.Unlock()
	c.done.Wait()
}

// start has a lane served, once the courier runs. The caller holds mu.
func (c *Courier) start(l *lane) {
	if ctx := c.ctx; ctx != nil {
		c.done.Go(func() { c.serve(ctx, l) })
	}
}

// Swap puts other channels in the place of all but those that keep names. What is
// on its way is finished, and what waits for a channel of the same name goes by
// the new one. What waits for one that is gone is dropped: the caller addresses it
// anew.
func (c *Courier) Swap(channels map[string]Channel, keep ...string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for name, l := range c.lanes {
		if name == nowhere || slices.Contains(keep, name) {
			continue
		}
		close(l.quit)
		delete(c.lanes, name)
		if ch, ok := channels[name]; ok {
			c.add(name, ch, l.empty())
		}
	}
	for name, ch := range channels {
		if c.lanes[name] == nil {
			c.add(name, ch, nil)
		}
	}
}

func (c *Courier) add(name string, ch Channel, queue []Delivery) {
	l := newLane(name, ch)
	for _, d := range queue {
		l.push(d)
	}
	c.lanes[name] = l
	c.start(l)
}

func (l *lane) empty() []Delivery {
	l.mu.Lock()
	defer l.mu.Unlock()
	queue := l.queue
	l.queue = nil
	return queue
}

func (c *Courier) serve(ctx context.Context, l *lane) {
	for {
		select {
		case <-l.quit:
			return
		default:
		}
		d, ok := l.pop()
		if !ok {
			select {
			case <-ctx.Done():
				return
			case <-l.quit:
				return
			case <-l.wake:
			}
			continue
		}
		if ctx.Err() != nil {
			return
		}
		err := c.send(ctx, l, d)
		if ctx.Err() != nil && err != nil {
			return // stopped half-way: the Desk's document still has it
		}
		c.told(l, d, err)
	}
}

func (c *Courier) told(l *lane, d Delivery, err error) {
	l.note(c.log, d, err)
	c.report(SendResult{d.ID, d.Version, d.Attempt, err})
}

// send gives a channel its time.
func (c *Courier) send(ctx context.Context, l *lane, d Delivery) error {
	if !l.begin(&d) {
		return errUnderWay
	}
	answered, late := make(chan error), make(chan struct{})
	c.done.Go(func() {
		err := l.send(ctx, d, patience*c.timeout)
		l.end(&d)
		select {
		case answered <- err:
		case <-late:
			if err == nil {
				c.told(l, d, nil)
			}
		}
	})
	timer := time.NewTimer(c.timeout)
	defer timer.Stop()
	defer close(late)
	select {
	case err := <-answered:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return fmt.Errorf("no answer within %v: %w", c.timeout, context.DeadlineExceeded)
	}
}

// send has the channel carry one delivery. A channel that panics has failed once and
// does not take the daemon along.
func (l *lane) send(ctx context.Context, d Delivery, within time.Duration) (err error) {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("channel %s panicked over notice %s: %v", l.name, d.NoticeID, r)
		}
	}()
	return l.channel.Send(ctx, d)
}

// begin counts one more sending of a message, if it may begin; end ends it.
func (l *lane) begin(d *Delivery) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.under[sendingOf(d)] >= atOnce {
		return false
	}
	l.under[sendingOf(d)]++
	return true
}

func (l *lane) end(d *Delivery) {
	l.mu.Lock()
	defer l.mu.Unlock()
	id := sendingOf(d)
	if l.under[id]--; l.under[id] == 0 {
		delete(l.under, id)
	}
}

func sendingOf(d *Delivery) sending { return sending{d.ID, d.Version, d.Message.Sent} }

func (l *lane) push(d Delivery) {
	l.mu.Lock()
	i := slices.IndexFunc(l.queue, func(q Delivery) bool { return q.ID == d.ID })
	if i >= 0 {
		l.queue = slices.Delete(l.queue, i, i+1)
	}
	// Behind everything as urgent as itself.
	at := len(l.queue)
	for at > 0 && l.queue[at-1].urgency() < d.urgency() {
		at--
	}
	l.queue = slices.Insert(l.queue, at, d)
	l.mu.Unlock()
	select {
	case l.wake <- struct{}{}:
	default:
	}
}

func (l *lane) pop() (Delivery, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.queue) == 0 {
		return Delivery{}, false
	}
	d := l.queue[0]
	l.queue = slices.Delete(l.queue, 0, 1)
	return d, true
}

// note logs a fault when it begins and when it ends.
func (l *lane) note(log *slog.Logger, d Delivery, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	switch {
	case err != nil && l.well:
		log.Warn("notice not delivered, will be tried again", "channel", l.name, "notice", d.NoticeID, "err", err)
	case err == nil && !l.well:
		log.Info("channel works again", "channel", l.name)
	}
	l.well = err == nil
}

// urgency orders a channel's queue: the lethal limit first, what nobody has
// heard yet before repeats, and today notices last.
func (d *Delivery) urgency() int {
	switch {
	case d.Priority < alarm.Wake:
		return 0
	case d.Kind == FollowUp || d.Kind == Test || d.Kind == Silence:
		return 1
	}
	u := 2
	if d.Lethal {
		u++
	}
	if !d.Again {
		u += 2
	}
	return u
}
