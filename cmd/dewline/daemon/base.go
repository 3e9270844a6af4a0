package daemon

import (
	"log/slog"
	"sync/atomic"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// A base is what every part may read at any time: the options of the start, the
// configuration in force and the time.
type base struct {
	o       Options
	log     *slog.Logger
	now     func() sensors.Instant // set by startClock
	started time.Time

	cfg      atomic.Pointer[configs.Config]
	loadedAt atomic.Pointer[time.Time]
	refused  atomic.Pointer[string] // why the file is refused; empty where it is not
	// leap is the running time of a record that opened late: what sources say is
	// in the time since the start, everything else in that of the record.
	leap atomic.Int64
	book calibrationBook
}

// Config returns the configuration in force.
func (b *base) Config() *configs.Config { return b.cfg.Load() }

// Now returns the time, with running time since the first start.
func (b *base) Now() sensors.Instant { return b.now() }
