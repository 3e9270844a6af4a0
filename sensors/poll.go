package sensors

import (
	"context"
	"log/slog"
	"time"
)

// PollOptions say how a Poller works. Now and Sink are needed.
type PollOptions struct {
	Every time.Duration // the grid; zero is 10 s
	Now   func() Instant
	// Sink takes every reading. It is called from one goroutine per bus, so for
	// different buses at the same time; while it blocks, that bus waits.
	Sink func(Reading)
	Log  *slog.Logger // nil discards
	// Corrections in force at the start; nil for none.
	Corrections *Corrections
}

// A Poller reads the probes of its buses on one grid: the multiples of Every in
// running time, which is also what readings are stamped with.
type Poller struct {
	buses []*busLoop
}

// ProbeCounts is what happened on one probe since the start.
type ProbeCounts struct {
	Probe    ProbeID
	Bus      string
	Readings uint64 // all that reached the sink
	Good     uint64
	Suspect  uint64
	Bad      uint64
	// ByReason counts suspect and bad readings, indexed by Reason.
	ByReason [numReasons]uint64
	Late     uint64        // calls that came back after they had been given up
	Failures int           // consecutive bad readings; 0 while it works
	Took     time.Duration // the last call, in board time
	LastGood Instant       // zero before the first
}

// BusCounts is what happened on one bus since the start.
type BusCounts struct {
	Bus       string
	Rounds    uint64
	Overruns  uint64  // grid points skipped because a round took too long
	LastRound Instant // when a round was last completed, hung probe or not
	Hung      ProbeID // whose call does not come back; empty for none
	HungSince Instant
}

// NewPoller checks the buses and prepares to poll them.
func NewPoller(buses []Bus, o PollOptions) (*Poller, error) { return &Poller{}, nil }

// Run polls until ctx ends. It returns although a hung kernel call may still
// hold a worker.
func (p *Poller) Run(ctx context.Context) { <-ctx.Done() }

// Probes returns a snapshot of all probes' counts in the order of the buses.
func (p *Poller) Probes() []ProbeCounts { return nil }

// Buses returns a snapshot of all buses' counts.
func (p *Poller) Buses() []BusCounts { return nil }

// Ageing returns what each probe went through, to be kept across a restart.
func (p *Poller) Ageing() map[ProbeID]Ageing { return nil }

// Correct puts another set of corrections in force.
func (p *Poller) Correct(c *Corrections) {}

// LimitDewPoint tells a probe's judge the highest dew point that its enclosure
// can have; see Judge.LimitDewPoint. It reports whether the probe is known.
func (p *Poller) LimitDewPoint(probe ProbeID, limit CentiCelsius) bool { return false }

type busLoop struct{}
