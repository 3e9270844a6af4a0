package daemon

import (
	"time"

	"dewline/sensors"
)

// otherGone is how long another board with this room's id is silent before it is
// taken to be gone: some heartbeats.
const otherGone = 3 * time.Minute

// An otherBoard is one with this room's id, as far as the broker tells.
type otherBoard struct {
	instance string        // empty for none
	seen     time.Duration // 0 before the first look
	gone     bool          // told
}

// otherBoard takes in that another board showed itself.
func (l *loop) otherBoard(now sensors.Instant, instance string) {
	fresh := l.other.instance != instance
	l.other = otherBoard{instance: instance, seen: now.Mono}
	if fresh {
		l.apply(l.core.Duplicate(now, instance))
	}
}

// watchOther ends the alarm about another board once that is silent, also one of
// before the start.
func (l *loop) watchOther(now sensors.Instant) {
	switch o := &l.other; {
	case o.seen == 0:
		o.seen = now.Mono
	case !o.gone && now.Mono-o.seen >= otherGone:
		*o = otherBoard{seen: now.Mono, gone: true}
		l.apply(l.core.Duplicate(now, ""))
	}
}
