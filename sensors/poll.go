package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"
)

// DefaultEvery is the grid on which probes are read.
const DefaultEvery = 10 * time.Second

// PollOptions say how a Poller works. Now and Sink are needed.
type PollOptions struct {
	Every time.Duration  // the grid; zero is DefaultEvery
	Now   func() Instant // must run as fast as time does
	Sink  func(Reading)  // called by every bus for itself; while it blocks, that bus waits
	Log   *slog.Logger   // nil discards
}

// A Poller reads the probes of its buses on one grid: the multiples of Every in running
// time, which readings are stamped with. Only the first round does not wait for it.
//
// Each bus has a supervisor and a worker goroutine. While a call that outlived its budget
// holds a bus, every probe of it is told TimedOut; other buses do not notice. A probe that
// fails slowly is asked less often, but at least every minute, and after those that work.
type Poller struct{ buses []*busLoop }

// ProbeCounts is what happened on one probe since the start.
type ProbeCounts struct {
	Probe    ProbeID
	Bus      string
	Readings uint64 // all that reached the sink
	Good     uint64
	Suspect  uint64
	Bad      uint64
	Late     uint64        // calls that came back after they had been given up
	Failures int           // bad readings in a row, the excused aside; 0 while it works
	Took     time.Duration // the last call that came back in time
	Events   Events        // zero where the driver tells none
}

// BusCounts is what happened on one bus since the start.
type BusCounts struct {
	Bus      string
	Rounds   uint64
	Overruns uint64  // grid points missed because a round took too long
	Hung     ProbeID // whose call does not come back; empty for none
}

// NewPoller checks the buses and prepares to poll them.
func NewPoller(buses []Bus, o PollOptions) (*Poller, error) {
	if o.Now == nil || o.Sink == nil {
		return nil, errors.New("poller needs a clock and a sink")
	}
	if o.Every == 0 {
		o.Every = DefaultEvery
	}
	if o.Every < 0 {
		return nil, fmt.Errorf("poll interval %s is negative", o.Every)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	p, met := new(Poller), map[ProbeID]bool{}
	for _, b := range buses {
		loop := newBusLoop(b.Name, &o)
		for _, probe := range b.Probes {
			if probe.Sampler == nil {
				return nil, fmt.Errorf("probe %s on bus %s has no driver", probe.ID, b.Name)
			}
			if met[probe.ID] {
				return nil, fmt.Errorf("probe %s on bus %s is there twice", probe.ID, b.Name)
			}
			met[probe.ID] = true
			loop.add(probe)
		}
		p.buses = append(p.buses, loop)
	}
	return p, nil
}

// Run polls until ctx ends. It returns although a hung kernel call may still
// hold a worker, which then ends when the call does.
func (p *Poller) Run(ctx context.Context) {
	var wg sync.WaitGroup
	for _, b := range p.buses {
		wg.Go(func() { b.run(ctx) })
	}
	wg.Wait()
}

// each calls f with every probe in the order of the buses, under the lock of its bus.
func (p *Poller) each(f func(*polled)) {
	for _, b := range p.buses {
		b.mu.Lock()
		for _, probe := range b.probes {
			f(probe)
		}
		b.mu.Unlock()
	}
}

// Probes returns a snapshot of all probes' counts.
func (p *Poller) Probes() (all []ProbeCounts) {
	p.each(func(probe *polled) { all = append(all, probe.counts) })
	return all
}

// Buses returns a snapshot of all buses' counts.
func (p *Poller) Buses() []BusCounts {
	all := make([]BusCounts, 0, len(p.buses))
	for _, b := range p.buses {
		b.mu.Lock()
		all = append(all, b.counts)
		b.mu.Unlock()
	}
	return all
}

// Ageing returns what each probe went through, to be kept across a restart.
func (p *Poller) Ageing() map[ProbeID]Ageing {
	all := map[ProbeID]Ageing{}
	p.each(func(probe *polled) { all[probe.ID] = probe.ageing })
	return all
}

// Resume adds what probes went through before the start, where that is known
// only now.
func (p *Poller) Resume(past map[ProbeID]Ageing) {
	p.each(func(probe *polled) {
		if a, ok := past[probe.ID]; ok {
			probe.past = &a
		}
	})
}

// Correct puts another set of corrections in force.
func (p *Poller) Correct(c *Corrections) { p.each(func(probe *polled) { probe.judge.Correct(c) }) }

// FreezeAfter sets for every probe how long one and the same value is believed.
func (p *Poller) FreezeAfter(d time.Duration) {
	p.each(func(probe *polled) { probe.judge.FreezeAfter(d) })
}

// A Sampler reads one probe once. Its errors carry the Reason; one without counts as
// BusError. It should return when ctx ends; where a kernel call does not come back, the
// poller goes on without it. Probes of one Bus are sampled one after another.
type Sampler interface {
	Sample(ctx context.Context) (Sample, error)
}

// Events is what a driver saw or did beside the samples, counted since it was
// opened.
type Events struct {
	HeaterPulses uint64 // against creep; readings are inhibited for a while
	Restarts     uint64 // of the chip: by itself, or by the driver after faults
	Replaced     uint64 // times that another chip answered at the address
}

// An eventful Sampler tells its Events. It is asked only while no Sample runs.
type eventful interface {
	Events() Events
}

// DefaultBudget is the budget of a BusProbe that does not say.
const DefaultBudget = 2 * time.Second

// A BusProbe is one probe on a bus.
type BusProbe struct {
	ID      ProbeID
	Limits  Limits // of its family; none are WidestLimits
	Sampler Sampler
	Budget  time.Duration // longest a reading may take; zero is DefaultBudget

	FrozenAfter time.Duration // how long an unchanged value is believed; zero is DefaultFrozenAfter
	Ageing      Ageing        // what it went through before the restart
}

// A Bus is a wire with probes that must be read one after another. Probes that
// can be read independently belong on buses of their own.
type Bus struct {
	Name   string
	Probes []BusProbe
}
