package alert

import (
	"context"
	"log/slog"
	"time"
)

// A Courier hands deliveries to channels: one goroutine and one queue for each
// channel, wake before the rest.
type Courier struct {
	channels map[string]Channel
	timeout  time.Duration
	report   func(SendResult)
	log      *slog.Logger
}

// NewCourier returns a Courier over the channels by name. Each Send gets
// timeout (20 s where zero). report is called from the channels' goroutines
// and must not block for long.
func NewCourier(channels map[string]Channel, timeout time.Duration, report func(SendResult), log *slog.Logger) *Courier {
	return &Courier{channels: channels, timeout: timeout, report: report, log: log}
}

// Submit queues deliveries and returns at once. A delivery takes the place of
// an older version of itself that still waits.
func (c *Courier) Submit(ds ...Delivery) {}

// Run sends until ctx ends and returns when every channel's goroutine has.
func (c *Courier) Run(ctx context.Context) {}
