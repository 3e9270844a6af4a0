package alert

import (
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
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

// steadyBroker: through a connection that comes and goes a sentinel sees nothing.
const steadyBroker = 30 * time.Second

// judgeSight tells that a sentinel without a broker watches nothing.
func (s *Sentinel) judgeSight(ts []rules.Transition, now sensors.Instant) []rules.Transition {
	passed, after := now.Mono-max(s.looked, min(s.downSince, now.Mono)), s.opt.StallFor
	if s.looked = now.Mono; !s.Sees() {
		s.down = min(s.down+passed, after)
	} else if s.down = max(s.down-passed, 0); now.Mono-s.upSince >= min(after, steadyBroker) {
		s.down = 0
	}
	is, told := alarm.Fact{}, s.own.raised[rules.DeliveryStalled] != 0
	blind := s.down >= after || told && s.down > 0
	switch {
	case blind:
		is = alarm.Fact{ID: alarm.FactSentinelBlind, For: s.down}
	case !s.Sees():
		return ts // not yet seen to work since a restart
	}
	return s.set(ts, now, s.opt.ID, s.own, rules.DeliveryStalled, blind, rules.Today, is)
}
