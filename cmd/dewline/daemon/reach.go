package daemon

import (
	"context"
	"time"
)

// A reacher is a channel without a connection of its own, whose other side can
// be looked for before there is anything to send.
type reacher interface {
	// Reach returns nil once the other side has answered.
	Reach(ctx context.Context) error
}

// The other side is looked for at the start and every hour. One that is not
// found is looked for more often first, and then less: a server may lock out
// who comes with a wrong password again and again.
const (
	reachEvery   = time.Hour
	reachAgain   = time.Minute
	reachTimeout = 30 * time.Second
)

// reach tells whether a channel's other side is found, until ctx ends.
func reach(ctx context.Context, r reacher, tell func(down error)) {
	again := reachAgain
	for {
		looking, cancel := context.WithTimeout(ctx, reachTimeout)
		err := r.Reach(looking)
		cancel()
		if ctx.Err() != nil {
			return
		}
		tell(err)
		wait := reachEvery
		if err != nil {
			wait, again = again, min(2*again, reachEvery)
		} else {
			again = reachAgain
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
	}
}
