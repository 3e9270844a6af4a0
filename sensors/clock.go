package sensors

import (
	"sync"
	"time"
)

// A Clock is the board's time as Instants. It is safe for concurrent use.
type Clock struct {
	start  time.Time // holds Go's monotonic reading
	resume time.Duration
	synced func() bool
	asleep func() time.Duration // of the board in suspend, since boot
	slept  time.Duration        // that at start

	mu   sync.Mutex
	last time.Duration
}

// NewClock starts a clock whose running time goes on from resume, which is
// what the store remembered of the run before (zero for a first start). Its
// Instants are Synced when synced says so; nil means never.
func NewClock(resume time.Duration, synced func() bool) *Clock {
	resume = max(resume, 0)
	return &Clock{start: time.Now(), resume: resume, synced: synced, last: resume, asleep: asleep, slept: asleep()}
}

// leastSleep is longer than what two clocks read one after the other differ by.
const leastSleep = time.Second

// Now returns the present moment. Mono never goes back between two calls.
func (c *Clock) Now() Instant {
	now := time.Now()
	c.mu.Lock()
	run := now.Sub(c.start)
	if d := c.asleep() - c.slept; d >= leastSleep { // Go's clock stands still in suspend
		run += d
	}
	c.last = max(c.last, c.resume+run)
	mono := c.last
	c.mu.Unlock()
	return Instant{
		Mono:   mono,
		Wall:   now.Round(0), // without Go's own monotonic reading
		Synced: c.synced != nil && c.synced(),
	}
}
