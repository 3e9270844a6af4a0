package rules

import (
	"math"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// watchNight feeds what depends on the lamps: the night drop, and whether the
// lamps follow their schedule. Nothing is judged while the clock is unset.
func (e *Engine) watchNight(en *enclosure, now sensors.Instant, main float64) {
	if en.lamps < 0 || !e.lamps[en.lamps].known {
		return
	}
	on := e.lamps[en.lamps].on
	if en.st.Night.Observe(e.estAt(now.Mono), main, on) {
		e.judgeNight(en, now)
	}
	t, hasRoom := e.roomTemp(now.Mono)
	stepped := en.st.Lamps.Observe(e.estAt(now.Mono), main, float64(t)/100, hasRoom, on)
	if en.now.hasLux {
		en.st.Lamps.ObserveLight(e.estAt(now.Mono), float64(en.now.lux), on)
	}
	if stepped || en.now.hasLux {
		e.judgeLamps(en, now)
	}
}

// judgeNight counts nights without the wanted drop. A drop that is only too
// small is for the weekly summary; none at all, or twice as many nights, is
// worth a notice.
func (e *Engine) judgeNight(en *enclosure, now sensors.Instant) {
	need := e.cfg.Rules.DropNights
	if need <= 0 || en.sp.DropMin <= 0 {
		return
	}
	s := &en.slots[alarm.KindNightDrop]
	least := float64(en.sp.DropMin)
	streak := en.st.Night.Streak(least)
	report, ok := en.st.Night.Report()
	if !ok || !report.Complete {
		return
	}
	s.limit(report.Drop, least)
	notice := report.Drop < least/2 || streak >= 2*need
	switch {
	case !s.rec.Life.Active && !notice:
		s.rec.Priority = Note
	case !s.rec.Life.Active:
		s.rec.Priority = Today
	case notice:
		e.raisePriority(s, now, Today)
	}
	if streak >= need || s.open() {
		e.hold(s, now, streak >= need)
	}
}

// judgeLamps decides whether the lamps are stuck, with the enclosures under
// other lamps and the same direction of switching as peers.
func (e *Engine) judgeLamps(en *enclosure, now sensors.Instant) {
	own, ok := en.st.Lamps.Step()
	if !ok || e.unmoved(en, now) || strays(own) {
		return
	}
	s := &en.slots[alarm.KindLampStuck]
	if !s.open() && e.heatElsewhere(en, own.On) {
		return
	}
	switch climate.JudgeLamps(own, e.lampPeers(en, own.On)) {
	case climate.LampsStuckOn, climate.LampsStuckOff:
		e.blame(s, e.lampCause(en, own.On))
		s.rec.Value, s.rec.HasValue = 0, false
		e.hold(s, now, true)
	case climate.LampsAsScheduled:
		if s.open() {
			e.hold(s, now, false)
		}
	default:
		e.apply(s, now, alarm.Missing, 0)
	}
}

// unmoved reports whether no probe of the enclosure has changed since before
// the lamps switched: then it is the probe that shows nothing.
func (e *Engine) unmoved(en *enclosure, now sensors.Instant) bool {
	for _, i := range en.probes {
		if st := &e.probes[i].st; st.HasTemp && now.Mono-st.StillAt < 80*time.Minute {
			return false
		}
	}
	return true
}

// heatElsewhere reports whether the temperature goes on in the wrong direction
// long after the lamps switched: lamps that are stuck leave it where it was.
func (e *Engine) heatElsewhere(en *enclosure, on bool) bool {
	slope, ok := en.st.Trend.Slope()
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
func (e *Engine) lampCause(en *enclosure, on bool) Cause {
	for i := range e.encls {
		peer := &e.encls[i]
		if peer == en || peer.lamps != en.lamps || peer.slots[alarm.KindLampStuck].rec.Life.Active {
			continue
		}
		if step, ok := peer.st.Lamps.Step(); ok && step.On == on && step.Usual != 0 && step.Step/step.Usual > 0.6 {
			return Cause{Kind: CauseEnclosure, ID: en.cfg.ID}
		}
	}
	return Cause{Kind: CauseLamps, ID: en.cfg.Lamps}
}

// strays reports whether the temperature went the other way, and far: then
// something stronger than the lamps is at work.
func strays(s climate.LampStep) bool {
	return s.Step*s.Usual < 0 && math.Abs(s.Step) > math.Abs(s.Usual)/4
}

func (e *Engine) lampPeers(en *enclosure, on bool) []climate.LampStep {
	e.steps = e.steps[:0]
	for i := range e.encls {
		peer := &e.encls[i]
		if peer == en || peer.lamps < 0 {
			continue
		}
		if step, ok := peer.st.Lamps.Step(); ok && step.On == on {
			e.steps = append(e.steps, step)
		}
	}
	return e.steps
}
