package daemon

import (
	"context"
	"fmt"

	"dewline/sensors"
)

// An inbox holds what others ask of the goroutine that decides, in order. Each is
// given the moment in which its turn came.
type inbox chan func(now sensors.Instant)

// post has f run some time soon.
func (in inbox) post(ctx context.Context, f func(now sensors.Instant)) {
	select {
	case in <- f:
	case <-ctx.Done():
	}
}

// call has f run and returns what it says; an error also when ctx ended first.
func (in inbox) call(ctx context.Context, f func(now sensors.Instant) error) error {
	answer := make(chan error, 1)
	in.post(ctx, func(now sensors.Instant) { answer <- f(now) })
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return fmt.Errorf("dewline is stopping: %w", context.Cause(ctx))
	}
}
