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

// sentinelGone is how long a sentinel is silent before that is told: it may be
// restarted or updated meanwhile.
const sentinelGone = 5 * time.Minute

// A sentinelWatch is how long ago a sentinel that watches this room showed itself.
type sentinelWatch struct {
	seen   time.Duration
	silent bool // told
}

// watchedBy takes in that a sentinel watches this room, or with an empty id that
// none does any more.
func (l *loop) watchedBy(now sensors.Instant, sentinel string, live bool) {
	switch w := l.sentinels[sentinel]; {
	case sentinel == "":
		for id := range l.sentinels {
			l.apply(l.core.SentinelSilent(now, id, false))
		}
		clear(l.sentinels)
	case live:
		l.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
		if w.silent || w.seen == 0 { // also one told before this start
			l.apply(l.core.SentinelSilent(now, sentinel, false))
		}
	case w.seen == 0 && len(l.sentinels) < mostSentinels:
		l.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
	}
}

// mostSentinels is how many are kept in mind: whoever may write on the broker may
// make up more.
const mostSentinels = 8

// watchSentinels tells of those that fell silent. While the broker is away nothing
// is known of them.
func (l *loop) watchSentinels(now sensors.Instant, up bool) {
	for id, w := range l.sentinels {
		switch {
		case !up:
			w.seen = max(w.seen, now.Mono-sentinelGone+sentinelBack)
		case !w.silent && now.Mono-w.seen >= sentinelGone:
			w.silent = true
			l.apply(l.core.SentinelSilent(now, id, true))
		}
		l.sentinels[id] = w
	}
}

// sentinelBack is how long a sentinel may take to come back with the broker.
const sentinelBack = 2 * time.Minute

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
