package daemon

import (
	"context"

	"dewline/sensors"
)

// A Sink takes what a source measures. Reading may be called from several
// goroutines; a call may block for a moment while the rules catch up.
type Sink struct {
	Reading func(sensors.Reading)
	// Contact takes what a contact says; nil where nobody asks.
	Contact func(sensors.Contact)
	// Tick lets time pass where the source keeps the time itself.
	Tick func(sensors.Instant)
	// Settle waits until what came before is decided and told, for a second at
	// most: for a source whose time can outrun the channels.
	Settle func(context.Context)
}

// A Source delivers readings until its context ends, or until there are no
// more (a simulation's end).
type Source interface {
	Run(ctx context.Context, sink Sink) error
	// KeepsTime says that the source calls Sink.Tick, so that the daemon's own
	// ticker stays quiet.
	KeepsTime() bool
	// Buses and Probes are snapshots of the poll counters, nil where there are
	// none.
	Buses() []sensors.BusCounts
	Probes() []sensors.ProbeCounts
	// Correct puts calibrations in force.
	Correct(*sensors.Corrections)
	// Ageing is what each probe went through, to be kept across a restart.
	Ageing() map[sensors.ProbeID]sensors.Ageing
}
