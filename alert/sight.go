package alert

import (
	"time"

	"dewline/sensors"
)

// A sight is a sentinel's own view of the broker: without one it watches nothing, and
// silence says nothing.
type sight struct {
	downSince time.Duration // 0 while connected
	upSince   time.Duration
	down      time.Duration // how long it was away, less how long it was there since
	looked    time.Duration // when down was counted
}

// Sees reports whether the broker is reached now.
func (s *sight) Sees() bool { return s.downSince == 0 }

// connection takes in whether the broker is reached, and returns for how long it was
// away, where it is back.
func (s *sight) connection(now sensors.Instant, up bool) (away time.Duration) {
	if !up {
		if s.Sees() {
			s.downSince = max(now.Mono, 1)
		}
		return 0
	}
	if !s.Sees() {
		away = max(now.Mono-s.downSince, 1)
	}
	s.downSince, s.upSince = 0, now.Mono
	return away
}
