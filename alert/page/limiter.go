package page

import "time"

// A Limiter counts failed tries by address, for others who ask for a token
// too. It is safe for concurrent use.
type Limiter struct{ l *limiter }

// NewLimiter returns a Limiter that has seen nothing.
func NewLimiter() *Limiter { return &Limiter{newLimiter()} }

// Wait returns how long an address ("host:port") has to wait before it may try.
func (l *Limiter) Wait(addr string, now time.Time) time.Duration { return l.l.wait(addr, now) }

// Failed counts one failed try.
func (l *Limiter) Failed(addr string, now time.Time) { l.l.failed(addr, now) }
