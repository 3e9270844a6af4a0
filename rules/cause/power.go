package cause

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// manyLamps reports whether the enclosures hang on more than one lamp timer:
// then what befalls all of them at once is not a timer.
func (cs Look) manyLamps() bool {
	for i := range cs.V.Enclosures {
		if cs.V.Enclosures[i].Lamps != cs.V.Enclosures[0].Lamps {
			return true
		}
	}
	return false
}

// What lamps add, in °C, that can be missed, and what those are taken to add that are not
// known yet; and the most by which a mist cools, for so long.
const (
	lampsSeen  = 0.3
	lampsGuess = 2.0
	lampsMost  = 0.6 // of it, as not half of the lamps lack
	mistMost   = 0.8
	mistCools  = 70 * time.Minute
)

// LampsGone says that the enclosures lack most of what their lamps are seen to add, beside
// the room as they follow it: air that cooled so is damp without any mist. It is
// nil where they do not.
func (cs Look) LampsGone() *alarm.Fact {
	return cs.lampsGone(cs.V.Survey(cs.V.Latest), cs.V.Latest)
}

func (cs Look) lampsGone(pic *climate.Picture, now sensors.Instant) *alarm.Fact {
	l := cs.lackOf(pic, now)
	if !l.known || l.lacks < max(lampsMost*l.adds, lampsSeen*float64(l.judged)) {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactLampsGone, Delta: unit.TemperatureDelta(-l.sum / float64(l.judged))}
}

// lack is what the enclosures whose lamps should be on lack beside the room, in °C.
type lack struct {
	known            bool // of enough of them
	judged           int
	adds, lacks, sum float64 // what lamps add; what is lacking, each by no more than that; and by any
}

func (cs Look) lackOf(pic *climate.Picture, now sensors.Instant) (l lack) {
	if !pic.Room.HasTemp {
		return l
	}
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		c := cs.V.CaseOf(o, now)
		c.ProbeDoubt = false // two probes part as the air cools first, and one that errs counts for one
		gain, known := o.St.Lamps.Gain()
		if !known {
			gain = lampsGuess
		}
		if !cs.litFor(o, litLong) || !c.HasTemp || !c.HasOffset || gain < lampsSeen {
			continue
		}
		is := o.St.Thermal.Lacks(c.Temp, pic.CauseOf(c).Residual)
		if o.Misted(now.Mono, mistCools) {
			is -= mistMost * (1 - float64(now.Mono-o.St.PulseAt)/float64(mistCools))
		}
		l.judged++
		l.adds, l.lacks, l.sum = l.adds+gain, l.lacks+min(max(is, -gain), gain), l.sum+is
	}
	l.known = l.judged >= enoughPeers && 2*l.judged >= len(cs.V.Enclosures)
	return l
}

// roomOrPower says that a room that cools by day may as well be without power, nil where
// the lamps are seen to be on: where they add more than what nobody knows of how late
// the enclosures follow such a room. Nobody asks where a contact watches the mains.
func (cs Look) roomOrPower(en *room.Enclosure, pic *climate.Picture, now sensors.Instant) *alarm.Fact {
	switch dark, known := cs.unlit(en); {
	case known:
		return nil
	case dark:
		return &alarm.Fact{ID: alarm.FactOrPowerDark}
	}
	late := lateDoubt * math.Abs(cs.roomFell(en, pic))
	if l := cs.lackOf(pic, now); l.known && l.adds/2-l.lacks > late*float64(l.judged) {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactOrPower}
}

// unlit reports whether too few lamps should burn to tell of the power, unless a light or
// a contact tells.
func (cs Look) unlit(en *room.Enclosure) (dark, known bool) {
	lit := 0
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if !cs.litFor(o, litLong) {
			continue
		}
		lit++
		known = known || o.Now.HasLux && o.St.Lamps.Light.State == climate.LampsOn
	}
	_, there := cs.V.Fact(en, configs.SenseMains, true)
	return 2*lit < len(cs.V.Enclosures), known || there
}

// SupplyOrPower says that a pump that does not run in the dark may be without power, nil
// where that can be known.
func (cs Look) SupplyOrPower(en *room.Enclosure) []alarm.Fact {
	if dark, known := cs.unlit(en); !dark || known {
		return nil
	}
	return []alarm.Fact{{ID: alarm.FactOrPowerDark}}
}

// SomeDark is the evidence from which an enclosure may be dark that should be lit.
const SomeDark = 0.4

// goesDark reports whether an enclosure is dark, or shows some of it, while its lamps
// should be on.
func goesDark(w *climate.LampWatch) bool {
	return w.On && (w.Wrong || w.Sign.Moved >= SomeDark || w.Sign.Looks > 0 && w.Sign.Missing >= SomeDark)
}

// wasDark reports whether an enclosure was told to be dark until its lamps were to go off.
func wasDark(w *climate.LampWatch) bool { return !w.On && w.Early && w.Fault.Dark() }

// TimerOrPower says that lamps that are dark may as well be without power, nil where some
// are seen to burn, a pump to have run since, or a contact watches the mains.
func (cs Look) TimerOrPower(en *room.Enclosure) *alarm.Fact {
	if _, there := cs.V.Fact(en, configs.SenseMains, true); there || !en.St.Lamps.Fault.Dark() {
		return nil
	}
	n, dark := make([]int, len(cs.V.Lamps)), make([]int, len(cs.V.Lamps))
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		w := &o.St.Lamps
		switch {
		case o.Now.HasLux && w.Light.State == climate.LampsOn, o.Misted(cs.V.Latest.Mono, cs.darkFor(en)):
			return nil
		case o.Lamps < 0 || !cs.litFor(o, litLong) || !w.Sign.Warms && !w.Wrong:
		case goesDark(w):
			dark[o.Lamps]++
			fallthrough
		default:
			n[o.Lamps]++
		}
	}
	for i := range n {
		if 2*dark[i] < n[i] {
			return nil
		}
	}
	return &alarm.Fact{ID: alarm.FactOrPowerDark}
}

// darkFor is how long the enclosure's lamps are known to have been dark.
func (cs Look) darkFor(en *room.Enclosure) time.Duration {
	if w := &en.St.Lamps; w.Fault == climate.LampsOffEarly {
		return max(0, cs.V.EstAt(cs.V.Latest.Mono)-w.OffHour)
	}
	if l := cs.V.LampsOf(en); l != nil {
		return l.Edge
	}
	return 0
}

// WentDark reports whether half of the enclosures under lamps are dark while these should be
// on, or were told to be so until these were to go off; on one timer, or by -1 on all.
func (cs Look) WentDark(timer int) bool {
	n, dark := 0, 0
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if o.Lamps < 0 || timer >= 0 && o.Lamps != timer {
			continue
		}
		if w := &o.St.Lamps; w.On && w.Wrong && w.Fault.Dark() || wasDark(w) {
			dark++
		}
		n++
	}
	return dark >= 2 && 2*dark >= n
}

// roomFell is by how much the room is away from its usual temperature or moved in
// roomSpan, in °C.
func (cs Look) roomFell(en *room.Enclosure, pic *climate.Picture) float64 {
	if pic.Room.HasUsual {
		return pic.Room.Temp - pic.Room.Usual
	}
	before, _ := en.St.Thermal.RoomBefore(cs.V.EstAt(cs.V.Latest.Mono), roomSpan)
	return pic.Room.Temp - before
}

// lateDoubt is the share of what a room moved by that an enclosure of glass and water
// may or may not have followed within hours.
const lateDoubt = 0.3

// lampsGo says that most lit enclosures cool as if their lamps just went off, beside the
// room as they follow it: in a room that cools as well it takes less to be the power. It is
// nil where they do not.
func (cs Look) lampsGo() *alarm.Fact {
	lit, dim, sum, cooled := 0, 0, 0.0, 0.0
	for i := range cs.V.Enclosures {
		w := &cs.V.Enclosures[i].St.Lamps
		if !cs.litFor(&cs.V.Enclosures[i], litLong) || !w.Sign.Warms {
			continue
		}
		lit++
		if w.Sign.Moved > 0 {
			dim++
			sum, cooled = sum+min(w.Sign.Moved, dimMost), cooled-w.Moved()
		}
	}
	if lit < 2 || float64(dim) < mostMove*float64(lit) || sum < dimSure {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactLampsGone, Delta: unit.TemperatureDelta(cooled / float64(dim))}
}

// Evidence, in logarithms of odds, of one enclosure that goes dark, at most, and of all.
const (
	dimMost = 7.0
	dimSure = 3.0
)

// litFor reports whether the enclosure's lamps should have been on for longer than that.
func (cs Look) litFor(en *room.Enclosure, span time.Duration) bool {
	l := cs.V.LampsOf(en)
	return l != nil && l.On && l.Edge > span
}

// How long lamps take until they are missed.
const (
	litLong = 20 * time.Minute
	litSeen = 45 * time.Minute // until what they did is over
)

// PowerTold reports whether some open alarm has the power for its cause.
func (cs Look) PowerTold() bool {
	for i := range cs.V.Enclosures {
		for k := range cs.V.Enclosures[i].Open.All() {
			if r := &cs.V.Enclosures[i].Alarms[k].Rec; r.Life.Active && r.Cause.Kind == alarm.CausePower {
				return true
			}
		}
	}
	return false
}

// noneMists reports whether mists are missed for want of power.
func (cs Look) noneMists() bool {
	for i := range cs.V.Enclosures {
		if r := &cs.V.Enclosures[i].Alarms[alarm.KindMistMissing].Rec; r.Life.Active && r.Cause.Kind == alarm.CausePower {
			return true
		}
	}
	return false
}

// lampsSwitched reports whether the last switch of a timer was seen in what most of
// its enclosures' temperatures did.
func (cs Look) lampsSwitched(timer int) bool {
	seen, judged := 0, 0
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if sign := &o.St.Lamps.Sign; o.Lamps == timer && sign.Looks > 0 {
			judged++
			if sign.Missing <= -climate.LampHint {
				seen++
			}
		}
	}
	return 2*seen > judged
}

func (cs Look) powerGone(now sensors.Instant) bool {
	if cs.PowerTold() || cs.WentDark(-1) || cs.Darkens(now.Mono) { // lamps and pump: two at once
		return true
	}
	pic := cs.V.Survey(now)
	fresh := cs.freshlyLit()
	if fresh >= enoughPeers && 2*fresh >= len(cs.V.Enclosures) && pic.Changed >= enoughPeers && pic.MiddleChange() < lampWarms {
		return true // nothing got warmer when the lamps were to come on
	}
	return cs.lampsGone(pic, now) != nil
}

// Darkens reports whether most enclosures whose lamps should have been on for
// long, and that no mist cools, cool together.
func (cs Look) Darkens(now time.Duration) bool {
	xs := cs.V.Floats[:0]
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if change, ok := o.St.Trend.Change(); ok && cs.litFor(o, litSeen) && !o.Misted(now, litSeen) {
			xs = append(xs, change)
		}
	}
	if len(xs) < enoughPeers || 2*len(xs) < len(cs.V.Enclosures) {
		return false
	}
	slices.Sort(xs)
	return xs[len(xs)/2] < -darkCools
}

// darkCools in °C in half an hour is more than an enclosure cools by day.
const darkCools = 0.25

// freshlyLit counts the enclosures whose lamps should have come on not long ago and are
// known to warm.
func (cs Look) freshlyLit() (n int) {
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		gain, _ := o.St.Lamps.Gain()
		if cs.litFor(o, litLong) && !cs.litFor(o, litSeen) && gain >= clearLamp {
			n++
		}
	}
	return n
}

// Lamps that add so much within an hour and a half, in °C, add at least lampWarms in half
// an hour.
const (
	clearLamp = 0.5
	lampWarms = 0.1
)
