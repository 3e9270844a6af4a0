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
func (e *Engine) watchNight(en *Enclosure, now sensors.Instant, main float64) {
	if en.Lamps < 0 || !e.v.Lamps[en.Lamps].Known {
		return
	}
	on := e.v.Lamps[en.Lamps].On
	if en.St.Night.Observe(e.v.EstAt(now.Mono), main, on) {
		e.judgeNight(en, now)
	}
	t, hasRoom := e.v.RoomTemp(now.Mono)
	stepped := en.St.Lamps.Observe(e.v.EstAt(now.Mono), main, float64(t)/100, hasRoom, on)
	if en.Now.HasLux {
		en.St.Lamps.ObserveLight(e.v.EstAt(now.Mono), float64(en.Now.Lux), on)
	}
	if stepped || en.Now.HasLux {
		e.judgeLamps(en, now)
	}
}

// judgeNight counts nights without the wanted drop. A drop that is only too
// small is for the weekly summary; none at all, or twice as many nights, is
// worth a notice.
func (e *Engine) judgeNight(en *Enclosure, now sensors.Instant) {
	need := e.v.Cfg.Rules.DropNights
	if need <= 0 || en.Species.DropMin <= 0 {
		return
	}
	s := &en.Alarms[alarm.KindNightDrop]
	least := float64(en.Species.DropMin)
	streak := en.St.Night.Streak(least)
	report, ok := en.St.Night.Report()
	if !ok || !report.Complete {
		return
	}
	s.Against(report.Drop, least)
	notice := report.Drop < least/2 || streak >= 2*need
	switch {
	case !s.Rec.Life.Active && !notice:
		s.Rec.Priority = Note
	case !s.Rec.Life.Active:
		s.Rec.Priority = Today
	case notice:
		e.out.Raise(s, Today)
	}
	if streak >= need || s.Open() {
		e.out.Hold(s, streak >= need)
	}
}

// judgeLamps decides whether the lamps are stuck, with the enclosures under
// other lamps and the same direction of switching as peers.
func (e *Engine) judgeLamps(en *Enclosure, now sensors.Instant) {
	own, ok := en.St.Lamps.Step()
	if !ok || e.unmoved(en, now) || strays(own) {
		return
	}
	s := &en.Alarms[alarm.KindLampStuck]
	if !s.Open() && e.heatElsewhere(en, own.On) {
		return
	}
	switch climate.JudgeLamps(own, e.lampPeers(en, own.On)) {
	case climate.LampsStuckOn, climate.LampsStuckOff:
		e.blame(s, e.lampCause(en, own.On))
		s.Rec.Value, s.Rec.HasValue = 0, false
		e.out.Hold(s, true)
	case climate.LampsAsScheduled:
		if s.Open() {
			e.out.Hold(s, false)
		}
	default:
		e.out.Apply(s, alarm.Missing, 0)
	}
}

// unmoved reports whether no probe of the enclosure has changed since before
// the lamps switched: then it is the probe that shows nothing.
func (e *Engine) unmoved(en *Enclosure, now sensors.Instant) bool {
	for _, i := range en.Probes {
		if st := &e.v.Probes[i].St; st.HasTemp && now.Mono-st.StillAt < 80*time.Minute {
			return false
		}
	}
	return true
}

// heatElsewhere reports whether the temperature goes on in the wrong direction
// long after the lamps switched: lamps that are stuck leave it where it was.
func (e *Engine) heatElsewhere(en *Enclosure, on bool) bool {
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
func (e *Engine) lampCause(en *Enclosure, on bool) Cause {
	for i := range e.v.Enclosures {
		peer := &e.v.Enclosures[i]
		if peer == en || peer.Lamps != en.Lamps || peer.Alarms[alarm.KindLampStuck].Rec.Life.Active {
			continue
		}
		if step, ok := peer.St.Lamps.Step(); ok && step.On == on && step.Usual != 0 && step.Step/step.Usual > 0.6 {
			return Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}
		}
	}
	return Cause{Kind: CauseLamps, ID: en.Cfg.Lamps}
}

// strays reports whether the temperature went the other way, and far: then
// something stronger than the lamps is at work.
func strays(s climate.LampStep) bool {
	return s.Step*s.Usual < 0 && math.Abs(s.Step) > math.Abs(s.Usual)/4
}

func (e *Engine) lampPeers(en *Enclosure, on bool) []climate.LampStep {
	e.steps = e.steps[:0]
	for i := range e.v.Enclosures {
		peer := &e.v.Enclosures[i]
		if peer == en || peer.Lamps < 0 {
			continue
		}
		if step, ok := peer.St.Lamps.Step(); ok && step.On == on {
			e.steps = append(e.steps, step)
		}
	}
	return e.steps
}
