package mist

import (
	"time"

	"dewline/rules/cause"
	"dewline/rules/climate"
	"dewline/rules/room"
)

// What else makes air damp, or look so, than a mist without an end.

// The figures of a mist without an end, in natural logarithms of odds; this
// project's own, tuned on the tuned half of rules/corpus.
const (
	told  = climate.MistEndlessTold // for one enclosure, of itself or with the others on its supply
	some  = 1.5                     // to count for others
	hint  = 0.3                     // of another on the supply that makes it the supply's
	alone = 3.0                     // at most, of an enclosure that is cool while its mates are not
)

func (l look) causes() cause.Look { return cause.Look{V: l.v} }

// dropOn reports whether a probe that has a part in the humidity went to
// saturation in one step, as no mist does; where every probe is saturated it is
// the air all the same.
func (l look) dropOn(en *room.Enclosure) bool {
	fast, wet := 0, 0
	for _, i := range en.Probes {
		if w := &l.v.Probes[i].St.Wet; w.Since > 0 {
			wet++
			if !w.Slow {
				fast++
			}
		}
	}
	return fast > 0 && (len(en.Probes) == 1 || wet < len(en.Probes))
}

// dark reports whether an enclosure may be without its lamps. A mist that goes on cools
// as if they were off: those under the same lamps on its shelf know, or else all others.
func (l look) dark(en *room.Enclosure) bool {
	off := func(o *room.Enclosure, least float64) bool {
		w := &o.St.Lamps
		return w.Wrong || w.Sign.Missing >= least || w.Sign.Moved >= least
	}
	var n, show [2]int // on its shelf, elsewhere
	for i := range l.v.Enclosures {
		if o := &l.v.Enclosures[i]; o != en && o.Lamps == en.Lamps && o.Now.HasTemp {
			k := 0
			if o.Shelf != en.Shelf {
				k = 1
			}
			if n[k]++; off(o, hint) {
				show[k]++
			}
		}
	}
	switch {
	case !off(en, some):
		return false
	case n[0] > 0:
		return 2*show[0] >= n[0]
	case n[1] > 0:
		return 2*show[1] >= n[1]
	}
	return true
}

// coolsByItself reports whether the air got damp without water: as it cooled with
// the room or without the lamps, or only for a probe that a drop fell on.
func (l look) coolsByItself(en *room.Enclosure, now time.Duration) bool {
	if l.dark(en) { // lamps that are off do not dry
		return true
	}
	return l.causes().CoolsWithRoom(en) || l.dropOn(en) || !en.Misted(now, 45*time.Minute) && l.causes().Darkens(now)
}
