package daemon

import (
	"context"
	"time"

	"dewline/sensors"
)

// settleFor is the longest that a source waits for channels, in real time.
const settleFor = time.Second

// settling counts what is on its way by channels, for a source whose time can
// outrun them. The loop's goroutine owns it.
type settling struct {
	sending int
	waiting []chan struct{} // closed once nothing is on its way
}

func (s *settling) sent(n int) { s.sending += n }

func (s *settling) tried() {
	s.sending--
	s.release()
}

// wait has done closed once all is tried.
func (s *settling) wait(done chan struct{}) {
	s.waiting = append(s.waiting, done)
	s.release()
}

// forget counts anew: what another sending replaced is never reported.
func (s *settling) forget() {
	s.sending = 0
	s.release()
}

func (s *settling) release() {
	if s.sending > 0 {
		return
	}
	s.sending = 0
	for _, done := range s.waiting {
		close(done)
	}
	s.waiting = s.waiting[:0]
}

// settle waits until what came in before is decided, and what that told was tried
// once, for settleFor at most.
func (l *loop) settle(ctx context.Context) {
	done := make(chan struct{})
	l.post(ctx, func(sensors.Instant) { l.wait(done) })
	patience := time.NewTimer(settleFor)
	defer patience.Stop()
	select {
	case <-done:
	case <-patience.C:
		l.post(ctx, func(sensors.Instant) { l.forget() })
	case <-ctx.Done():
	}
}
