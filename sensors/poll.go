package sensors

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync"
	"time"
)

// A Poller reads the probes of its buses on one grid: the multiples of Every in running
// time, which readings are stamped with. Only the first round does not wait for it.
//
// Each bus has a supervisor and a worker goroutine. While a call that outlived its budget
// holds a bus, every probe of it is told TimedOut; other buses do not notice. A probe that
// fails slowly is asked less often, but at least every minute, and after those that work.
type Poller struct{ buses []*busLoop }

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
