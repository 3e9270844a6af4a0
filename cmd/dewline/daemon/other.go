package daemon

import (
	"time"

	"dewline/cmd/dewline/core"
	"dewline/sensors"
)

// Neighbours are who else shows themselves on this room's topics.
type neighbours struct {
	core      *core.Core
	other     otherBoard
	sentinels map[string]sentinelWatch // those that watch this room, by id
}

// shift moves the running times by as much as a record that opened late had.
func (n *neighbours) shift(by time.Duration) {
	if n.other.seen != 0 {
		n.other.seen += by
	}
	for id, w := range n.sentinels {
		w.seen += by
		n.sentinels[id] = w
	}
}

// otherGone is some heartbeats: a board silent for so long is gone.
const otherGone = 3 * time.Minute

// An otherBoard is one with this room's id, as far as the broker tells.
type otherBoard struct {
	instance string        // empty for none
	seen     time.Duration // 0 before the first look
	gone     bool          // told
}

// sentinelGone allows for a restart or an update of a silent sentinel.
const sentinelGone = 5 * time.Minute

// A sentinelWatch is how long ago a sentinel that watches this room showed itself.
type sentinelWatch struct {
	seen   time.Duration
	silent bool // told
}

// watchedBy takes an empty id for none that watches any more.
func (n *neighbours) watchedBy(now sensors.Instant, sentinel string, live bool) (fx []core.Effects) {
	switch w := n.sentinels[sentinel]; {
	case sentinel == "":
		for id := range n.sentinels {
			fx = append(fx, n.core.SentinelSilent(now, id, false))
		}
		clear(n.sentinels)
	case w.seen == 0 && len(n.sentinels) >= mostSentinels: // of those told before this start, the end
		fx = append(fx, n.core.SentinelSilent(now, sentinel, false))
	case live:
		n.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
		if w.silent || w.seen == 0 { // also one told before this start
			fx = append(fx, n.core.SentinelSilent(now, sentinel, false))
		}
	case w.seen == 0:
		n.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
	}
	return fx
}

// mostSentinels bounds what whoever may write on the broker can make up.
const mostSentinels = 8

// watchSentinels knows nothing of them while the broker is away.
func (n *neighbours) watchSentinels(now sensors.Instant, up bool) (fx []core.Effects) {
	for id, w := range n.sentinels {
		switch {
		case !up:
			w.seen = max(w.seen, now.Mono-sentinelGone+sentinelBack)
		case !w.silent && now.Mono-w.seen >= sentinelGone:
			w.silent = true
			fx = append(fx, n.core.SentinelSilent(now, id, true))
		}
		n.sentinels[id] = w
	}
	return fx
}

// sentinelBack is how long a sentinel may take to come back with the broker.
const sentinelBack = 2 * time.Minute

// otherBoard takes in that another board showed itself; the first of several is told of.
func (n *neighbours) otherBoard(now sensors.Instant, instance string) (fx []core.Effects) {
	if n.other.instance == "" {
		n.other.instance = instance
		fx = append(fx, n.core.Duplicate(now, instance))
	}
	n.other.seen, n.other.gone = now.Mono, false
	return fx
}

// watchOther ends the alarm once the other is silent, also one of before the start.
func (n *neighbours) watchOther(now sensors.Instant) (fx []core.Effects) {
	switch o := &n.other; {
	case o.seen == 0:
		o.seen = now.Mono
	case !o.gone && now.Mono-o.seen >= otherGone:
		*o = otherBoard{seen: now.Mono, gone: true}
		fx = append(fx, n.core.Duplicate(now, ""))
	}
	return fx
}
