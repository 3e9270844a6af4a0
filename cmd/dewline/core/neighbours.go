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
	connected bool                     // to the broker, now
	other     time.Duration            // when another board with this room's id showed itself; 0 before the first look
	sentinels map[string]time.Duration // when those that watch this room showed themselves, by id
}

// otherGone is some heartbeats: a board silent for so long is gone.
const otherGone = 3 * time.Minute

const (
	// sentinelGone allows for a restart or an update of a silent sentinel.
	sentinelGone = 5 * time.Minute
	// sentinelBack is how long a sentinel may take to come back with the broker.
	sentinelBack = 2 * time.Minute
	// mostSentinels bounds what whoever may write on the broker can make up.
	mostSentinels = 8
)

// OtherBoard takes in that another board with this room's id showed itself; the first
// of several is told of.
func (n *neighbours) OtherBoard(now sensors.Instant, instance string) Effects {
	n.other = now.Mono
	return n.parts.duplicate(now, instance)
}

// WatchedBy takes in that a sentinel watches this room: live now, or when the broker
// kept its word. An empty id is for none that watches any more.
func (n *neighbours) WatchedBy(now sensors.Instant, sentinel string, live bool) (e Effects) {
	switch _, known := n.sentinels[sentinel]; {
	case sentinel == "":
		for _, id := range slices.Sorted(maps.Keys(n.sentinels)) {
			e.add(n.parts.sentinelSilent(now, id, false))
		}
		clear(n.sentinels)
	case !known && len(n.sentinels) >= mostSentinels: // of those told before this start, the end
		e = n.parts.sentinelSilent(now, sentinel, false)
	case live:
		n.sentinels[sentinel] = now.Mono
		e = n.parts.sentinelSilent(now, sentinel, false) // also one told before this start
	case !known:
		n.sentinels[sentinel] = now.Mono
	}
	return e
}

// watch ends the alarm of another board once that is silent, also of one before the
// start, and tells of silent sentinels, of which nothing is known while the broker is
// away.
func (n *neighbours) watch(now sensors.Instant) (e Effects) {
	if n.other == 0 {
		n.other = now.Mono
	} else if now.Mono-n.other >= otherGone {
		e = n.parts.duplicate(now, "")
	}
	for _, id := range slices.Sorted(maps.Keys(n.sentinels)) {
		switch seen := n.sentinels[id]; {
		case !n.connected:
			n.sentinels[id] = max(seen, now.Mono-sentinelGone+sentinelBack)
		case now.Mono-seen >= sentinelGone:
			e.add(n.parts.sentinelSilent(now, id, true))
		}
	}
	return e
}

// shift moves the running times by as much as a record that opened late had.
func (n *neighbours) shift(by time.Duration) {
	if n.other != 0 {
		n.other += by
	}
	for id := range n.sentinels {
		n.sentinels[id] += by
	}
}
