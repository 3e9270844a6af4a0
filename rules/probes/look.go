package probes

import (
	"time"

	"dewline/rules/room"
)

// look is one look at the room.
type look struct {
	*Judge
	v   *room.View
	out *room.Out
}

// probe is one with what the judge remembers of it.
type probe struct {
	*room.Probe
	*State
}

func (l look) at(i int) probe { return probe{&l.v.Probes[i], &l.At[i]} }

// late reports whether a probe was not heard for longer than it may be, told or not.
func (l look) late(p *room.Probe, now time.Duration) bool {
	return now-p.HeardAt()-p.St.Unseen > p.SilentAfter(&l.v.Cfg.Rules)
}
