// Package contact watches contacts: lines of a GPIO chip, each debounced, and values
// of wireless nodes. One that cannot be read says so and keeps none of the others
// from being read.
package contact

import (
	"context"
	"errors"
	"fmt"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A Line is one that is watched.
type Line interface {
	// Active is its level now, turned around where it is active low.
	Active() (bool, error)
	Close() error
}

// A Node is a wireless one that sends a value.
type Node interface {
	Sample(ctx context.Context) (sensors.Sample, error)
}

const (
	lookEvery = 250 * time.Millisecond // shorter than a mist pulse, longer than a contact bounces
	tellEvery = 10 * time.Second       // also without a change: what is not told grows old
	openEvery = time.Minute            // a line that cannot be had is asked for again
)

// A Watch reads the contacts of a room.
type Watch struct {
	all []*watched
}

// New prepares to watch contacts. open takes hold of a line, nodes are those that
// send, by the contact's id.
func New(contacts []configs.Contact, open func(configs.Contact) (Line, error), nodes map[string]Node) *Watch {
	w := &Watch{}
	for _, c := range contacts {
		one := &watched{cfg: c, open: open, node: nodes[c.ID]}
		w.all = append(w.all, one)
	}
	return w
}

// Run tells what each contact says, at once when it changes and every ten seconds,
// until ctx ends.
func (w *Watch) Run(ctx context.Context, tell func(sensors.Contact)) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for {
		now := time.Now()
		for _, c := range w.all {
			if said, news := c.look(ctx, now); news {
				tell(said)
			}
		}
		select {
		case <-ctx.Done():
			for _, c := range w.all {
				c.close()
			}
			return
		case <-tick.C:
		}
	}
}

type watched struct {
	cfg  configs.Contact
	open func(configs.Contact) (Line, error)
	node Node

	line   Line
	retry  time.Time // a line that cannot be had is not asked for before
	failed error
	level  bool      // read last
	since  time.Time // it has been so; zero for never read
	told   sensors.Contact
	toldAt time.Time
}

// look reads the contact and reports whether what it says is to be told.
func (c *watched) look(ctx context.Context, now time.Time) (sensors.Contact, bool) {
	due := now.Sub(c.toldAt) >= tellEvery
	var said sensors.Contact
	switch {
	case c.node != nil:
		said = c.ask(ctx)
	case !c.settled(now):
		if !due || c.toldAt.IsZero() {
			return said, false
		}
		said = c.told // it bounces: what held last
	default:
		said = c.read()
	}
	said.ID = c.cfg.ID
	same := said.Known == c.told.Known && said.Waiting == c.told.Waiting && said.Active == c.told.Active && said.Value == c.told.Value
	if !due && same { // why it is not known may count seconds
		return said, false
	}
	c.told, c.toldAt = said, now
	return said, true
}

// settled reads the line and reports whether its level has held for long enough, or
// cannot be read.
func (c *watched) settled(now time.Time) bool {
	if c.line == nil {
		if now.Before(c.retry) {
			return true
		}
		if c.line, c.failed = c.open(c.cfg); c.failed != nil {
			c.line, c.retry, c.since = nil, now.Add(openEvery), time.Time{}
			return true
		}
	}
	level, err := c.line.Active()
	if err != nil {
		c.close()
		c.failed, c.retry, c.since = err, now.Add(openEvery), time.Time{}
		return true
	}
	c.failed = nil
	if c.since.IsZero() || level != c.level {
		c.level, c.since = level, now
	}
	return now.Sub(c.since) >= c.cfg.Debounce.D()
}

// read is what a line says that has settled.
func (c *watched) read() sensors.Contact {
	if c.failed != nil {
		return sensors.Contact{Why: c.failed.Error()}
	}
	return sensors.Contact{Known: true, Active: c.level}
}

// ask is what the newest message of a node says.
func (c *watched) ask(ctx context.Context) sensors.Contact {
	s, err := c.node.Sample(ctx)
	if err != nil {
		var fault *sensors.FaultError
		return sensors.Contact{Why: err.Error(), Waiting: errors.As(err, &fault) && fault.Reason == sensors.Waiting}
	}
	v := s.Humidity.Percent() // in hundredths, as a node's figures come
	if c.cfg.Is == configs.SenseBattery {
		return sensors.Contact{Known: true, Value: v, Active: v <= c.cfg.Low.Figure}
	}
	if v != 0 && v != 1 {
		return sensors.Contact{Why: fmt.Sprintf("it says %g, which is neither true nor false", v)}
	}
	return sensors.Contact{Known: true, Active: (v == 1) != c.cfg.ActiveLow}
}

func (c *watched) close() {
	if c.line != nil {
		_ = c.line.Close() // it is given up either way
		c.line = nil
	}
}
