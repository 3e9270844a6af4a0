package cause

import (
	"slices"
	"time"

	"dewline/configs/unit"
	"dewline/rules/alarm"
	"dewline/rules/climate"
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

// lampsAdd in °C is more than a mist cools all enclosures by, and less than
// most lamps warm them.
const lampsAdd = 1.0

// powerCold in °C is what they lack, lamps and all, in a room that is cold: those
// that have theirs lag behind it and seem too warm.
const powerCold = 0.3

// LampsGone says that the enclosures lack what their lamps should add: air that
// cooled so is damp without any mist. It is nil where they do not.
func (cs Look) LampsGone() *alarm.Fact {
	pic := cs.V.Survey(cs.V.Latest)
	return cs.lampsGone(pic, lampsAdd)
}

func (cs Look) lampsGone(pic *climate.Picture, least float64) *alarm.Fact {
	if !pic.Room.HasTemp || pic.Judged < enoughPeers || pic.Median > -least {
		return nil // as nearly always: the enclosures need not be counted
	}
	if lit, _ := cs.litNow(); lit < enoughPeers || 2*lit < len(cs.V.Enclosures) {
		return nil
	}
	return &alarm.Fact{ID: alarm.FactLampsGone, Delta: unit.TemperatureDelta(pic.Median)}
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
	for i := range cs.V.Enclosures {
		if s := &cs.V.Enclosures[i].Alarms[alarm.KindLampStuck]; s.Rec.Life.Active && s.Rec.Cause.Kind == alarm.CausePower {
			return true
		}
	}
	pic := cs.V.Survey(now)
	_, fresh := cs.litNow()
	if cs.Darkens(now.Mono) {
		return true
	}
	if fresh >= enoughPeers && 2*fresh >= len(cs.V.Enclosures) && pic.Changed >= enoughPeers && pic.MiddleChange() < lampWarms {
		return true // nothing got warmer when the lamps were to come on
	}
	return cs.lampsGone(pic, powerOff) != nil
}

// Darkens reports whether most enclosures whose lamps should have been on for
// long, and that no mist cools, cool together.
func (cs Look) Darkens(now time.Duration) bool {
	xs := cs.V.Floats[:0]
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if o.Lamps < 0 || o.Misted(now, 45*time.Minute) {
			continue
		}
		l := &cs.V.Lamps[o.Lamps]
		if change, ok := o.St.Trend.Change(); ok && l.Known && l.On && l.Edge > 45*time.Minute {
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

// litNow counts the enclosures whose lamps should have been on for some time,
// and those of them whose lamps came on not long ago and are known to warm.
func (cs Look) litNow() (lit, fresh int) {
	for i := range cs.V.Enclosures {
		o := &cs.V.Enclosures[i]
		if o.Lamps < 0 {
			continue
		}
		l := &cs.V.Lamps[o.Lamps]
		if !l.Known || !l.On || l.Edge <= 20*time.Minute {
			continue
		}
		lit++
		if l.Edge <= 45*time.Minute && o.St.Thermal.LampGain() >= clearLamp {
			fresh++
		}
	}
	return lit, fresh
}

// powerOff in °C is what enclosures lack soon after the lamps failed to come on.
const powerOff = 0.5

// Lamps that add so much in the end, in °C, add at least lampWarms in half an
// hour.
const (
	clearLamp = 1.0
	lampWarms = 0.1
)
