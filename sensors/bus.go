package sensors

import (
	"context"
	"log/slog"
	"time"
)

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

// DefaultEvery is the grid on which probes are read.
const DefaultEvery = 10 * time.Second

// PollOptions say how a Poller works. Now and Sink are needed.
type PollOptions struct {
	Every time.Duration  // the grid; zero is DefaultEvery
	Now   func() Instant // must run as fast as time does
	Sink  func(Reading)  // called by every bus for itself; while it blocks, that bus waits
	Log   *slog.Logger   // nil discards
}
