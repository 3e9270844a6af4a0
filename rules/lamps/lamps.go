// Package lamps judges whether the lamps follow their schedule, by the step that
// a switch makes, with other enclosures as peers.
package lamps

import (
	"math"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// Judge looks whether the lamps follow their schedule.
type Judge struct {
	steps []climate.LampStep
}

// lampsLook is one look at the room.
type look struct {
	*Judge
	v   *room.View
	out *room.Out
}

// Step looks for the step that a switch makes. Nothing is judged while the clock
// is unset.
func (j *Judge) Step(v *room.View, out *room.Out) {
	en, at := v.Enclosure, v.EstAt(v.At.Mono)
	lamps := v.LampsOf(en)
	if lamps == nil {
		return
	}
	t, hasRoom := v.RoomTemp(v.At.Mono)
	stepped := en.St.Lamps.Observe(at, float64(en.Now.Main)/100, float64(t)/100, hasRoom, lamps.On)
	if en.Now.HasLux {
		en.St.Lamps.ObserveLight(at, float64(en.Now.Lux), lamps.On)
	}
	if stepped || en.Now.HasLux {
		look{j, v, out}.judgeLamps(en, v.At)
	}
}

// Cause is set where it was judged.
func (j *Judge) Cause(_ *room.View, a *room.Alarm) (alarm.Cause, []alarm.Fact) {
	return a.Rec.Cause, nil
}

// Fact names the time by which the lamps should have switched.
func (j *Judge) Fact(v *room.View, a *room.Alarm) alarm.Fact {
	en := &v.Enclosures[a.Index]
	var on configs.ClockSpan
	if en.Lamps >= 0 {
		on = v.Lamps[en.Lamps].Cfg.On
	}
	if step, ok := en.St.Lamps.Step(); ok && step.On {
		return alarm.Fact{ID: alarm.FactLampsNotOn, About: on.From.String()}
	}
	return alarm.Fact{ID: alarm.FactID(alarm.LampStuck), About: on.To.String()}
}

// judgeLamps decides whether the lamps are stuck, with the enclosures under
// other lamps and the same direction of switching as peers.
func (l look) judgeLamps(en *room.Enclosure, now sensors.Instant) {
	own, ok := en.St.Lamps.Step()
	if !ok || l.unmoved(en, now) || strays(own) {
		return
	}
	s := &en.Alarms[alarm.KindLampStuck]
	if !s.Open() && l.heatElsewhere(en, own.On) {
		return
	}
	switch climate.JudgeLamps(own, l.lampPeers(en, own.On)) {
	case climate.LampsStuckOn, climate.LampsStuckOff:
		s.Blame(l.lampCause(en, own.On))
		s.Rec.Value, s.Rec.HasValue = 0, false
		l.out.Hold(s, true)
	case climate.LampsAsScheduled:
		if s.Open() {
			l.out.Hold(s, false)
		}
	default:
		l.out.Apply(s, alarm.Missing, 0)
	}
}

// unmoved reports whether no probe of the enclosure has changed since before
// the lamps switched: then it is the probe that shows nothing.
func (l look) unmoved(en *room.Enclosure, now sensors.Instant) bool {
	for _, i := range en.Probes {
		if st := &l.v.Probes[i].St; st.HasTemp && now.Mono-st.StillAt < 80*time.Minute {
			return false
		}
	}
	return true
}

// heatElsewhere reports whether the temperature goes on in the wrong direction
// long after the lamps switched: lamps that are stuck leave it where it was.
func (l look) heatElsewhere(en *room.Enclosure, on bool) bool {
	slope, ok := en.St.Trend.Slope()
	if !ok {
		return false
	}
	if on {
		return slope.PerHour < -lampDrift
	}
	return slope.PerHour > lampDrift
}

// lampDrift in °C/h is more than a room does to an enclosure at a switch.
const lampDrift = 0.8

// lampCause is the timer, or the enclosure's own lamp where others on the same
// timer switched.
func (l look) lampCause(en *room.Enclosure, on bool) alarm.Cause {
	for i := range l.v.Enclosures {
		peer := &l.v.Enclosures[i]
		if peer == en || peer.Lamps != en.Lamps || peer.Alarms[alarm.KindLampStuck].Rec.Life.Active {
			continue
		}
		if step, ok := peer.St.Lamps.Step(); ok && step.On == on && step.Usual != 0 && step.Step/step.Usual > 0.6 {
			return alarm.Cause{Kind: alarm.CauseEnclosure, ID: en.Cfg.ID}
		}
	}
	return alarm.Cause{Kind: alarm.CauseLamps, ID: en.Cfg.Lamps}
}

// strays reports whether the temperature went the other way, and far: then
// something stronger than the lamps is at work.
func strays(s climate.LampStep) bool {
	return s.Step*s.Usual < 0 && math.Abs(s.Step) > math.Abs(s.Usual)/4
}

func (l look) lampPeers(en *room.Enclosure, on bool) []climate.LampStep {
	l.steps = l.steps[:0]
	for i := range l.v.Enclosures {
		peer := &l.v.Enclosures[i]
		if peer == en || peer.Lamps < 0 {
			continue
		}
		if step, ok := peer.St.Lamps.Step(); ok && step.On == on {
			l.steps = append(l.steps, step)
		}
	}
	return l.steps
}
