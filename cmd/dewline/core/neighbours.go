package core

import (
	"maps"
	"slices"
	"time"

	"dewline/sensors"
)

// Neighbours are who else shows themselves on this room's topics, as far as the broker
// tells.
type neighbours struct {
	parts     *parts
	connected bool // to the broker, now
	other     otherBoard
	sentinels map[string]sentinelWatch // those that watch this room, by id
}

// otherGone is some heartbeats: a board silent for so long is gone.
const otherGone = 3 * time.Minute

// An otherBoard is one with this room's id.
type otherBoard struct {
	instance string        // empty for none
	seen     time.Duration // 0 before the first look
	gone     bool          // told
}

const (
	// sentinelGone allows for a restart or an update of a silent sentinel.
	sentinelGone = 5 * time.Minute
	// sentinelBack is how long a sentinel may take to come back with the broker.
	sentinelBack = 2 * time.Minute
	// mostSentinels bounds what whoever may write on the broker can make up.
	mostSentinels = 8
)

// A sentinelWatch is how long ago a sentinel that watches this room showed itself.
type sentinelWatch struct {
	seen   time.Duration
	silent bool // told
}

// OtherBoard takes in that another board with this room's id showed itself; the first
// of several is told of.
func (n *neighbours) OtherBoard(now sensors.Instant, instance string) (e Effects) {
	if n.other.instance == "" {
		n.other.instance = instance
		e = n.parts.duplicate(now, instance)
	}
	n.other.seen, n.other.gone = now.Mono, false
	return e
}

// WatchedBy takes in that a sentinel watches this room: live now, or when the broker
// kept its word. An empty id is for none that watches any more.
func (n *neighbours) WatchedBy(now sensors.Instant, sentinel string, live bool) (e Effects) {
	switch w := n.sentinels[sentinel]; {
	case sentinel == "":
		for _, id := range slices.Sorted(maps.Keys(n.sentinels)) {
			e.add(n.parts.sentinelSilent(now, id, false))
		}
		clear(n.sentinels)
	case w.seen == 0 && len(n.sentinels) >= mostSentinels: // of those told before this start, the end
		e = n.parts.sentinelSilent(now, sentinel, false)
	case live:
		n.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
		if w.silent || w.seen == 0 { // also one told before this start
			e = n.parts.sentinelSilent(now, sentinel, false)
		}
	case w.seen == 0:
		n.sentinels[sentinel] = sentinelWatch{seen: now.Mono}
	}
	return e
}

// watch ends the alarm of another board once that is silent, also of one before the
// start, and tells of silent sentinels, of which nothing is known while the broker is
// away.
func (n *neighbours) watch(now sensors.Instant) (e Effects) {
	switch o := &n.other; {
	case o.seen == 0:
		o.seen = now.Mono
	case !o.gone && now.Mono-o.seen >= otherGone:
		*o = otherBoard{seen: now.Mono, gone: true}
		e = n.parts.duplicate(now, "")
	}
	for _, id := range slices.Sorted(maps.Keys(n.sentinels)) {
		w := n.sentinels[id]
		switch {
		case !n.connected:
			w.seen = max(w.seen, now.Mono-sentinelGone+sentinelBack)
		case !w.silent && now.Mono-w.seen >= sentinelGone:
			w.silent = true
			e.add(n.parts.sentinelSilent(now, id, true))
		}
		n.sentinels[id] = w
	}
	return e
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
