package sensors

import (
	"context"
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

// A Remarkable Sampler has something to say to a keeper who reads it by hand.
type Remarkable interface {
	Remark() string
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
